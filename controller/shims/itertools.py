"""`itertools` for `transitions.core`: `chain` and `chain.from_iterable`."""


class chain:  # noqa: N801  the standard library's spelling
    """The items of several iterables, one iterable after the other."""

    def __init__(self, *iterables):
        self._items = _flatten(iterables)

    @classmethod
    def from_iterable(cls, iterables):
        """Return a chain over the iterables that `iterables` yields, drawn as they are needed."""
        made = cls()
        made._items = _flatten(iterables)
        return made

    def __iter__(self):
        return self._items


def _flatten(iterables):
    for iterable in iterables:
        yield from iterable
