"""`functools` for `transitions.core`: `partial`."""


class partial:  # noqa: N801  the standard library's spelling
    """`func` with its first arguments already given; `args` and `keywords` as in CPython."""

    def __init__(self, func, *args, **keywords):
        self.func = func
        self.args = args
        self.keywords = keywords

    def __call__(self, *args, **keywords):
        return self.func(*(self.args + args), **(self.keywords | keywords))
