"""`inspect` for `transitions.core`, which asks one thing of it: is this a bound method?

The core looks for `on_enter_<state>` and `on_exit_<state>` on a model and binds those that are
methods.  A MicroPython bound method has no `__self__` and no `__func__`, so the usual test by
attribute answers "no" to every method, and the callbacks are dropped without a word.  Its type
has no name to import either; a bound method has to be made to get hold of it.
"""


class _Sample:
    def method(self):
        """Exist, so that it can be bound."""


_BOUND_METHOD = type(_Sample().method)


def ismethod(thing):
    """Return True if `thing` is a method bound to an instance."""
    return isinstance(thing, _BOUND_METHOD)
