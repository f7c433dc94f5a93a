"""`collections` for `transitions.core`: MicroPython lacks `defaultdict` and a `deque()` it can use.

`defaultdict` keeps insertion order, as CPython's does; MicroPython's own `dict` would not, and the
order in which several transitions of one event are listed would differ between interpreters.
"""

from collections import OrderedDict


class defaultdict(OrderedDict):  # noqa: N801  the standard library's spelling
    """A dict that fills a missing key with `default_factory()` when it is read."""

    def __init__(self, default_factory=None, *args, **items):
        super().__init__(*args, **items)
        self.default_factory = default_factory

    def __getitem__(self, key):
        if key not in self:
            if self.default_factory is None:
                raise KeyError(key)
            self[key] = self.default_factory()
        return super().__getitem__(key)


class deque(list):  # noqa: N801  the standard library's spelling
    """An unbounded queue; popping the front is linear, and a machine's queue holds a few entries.

    MicroPython's own `deque` needs a length limit and drops entries beyond it.
    """

    def popleft(self):
        """Remove and return the oldest entry; IndexError if there is none."""
        return self.pop(0)
