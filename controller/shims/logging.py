"""`logging` for `transitions.core`, with nowhere to log to: every message is dropped unformatted.

What the firmware has to tell goes into its own trace and event record, in numbers.
"""


class NullHandler:
    """A handler that handles nothing."""


class _Silent:
    def addHandler(self, handler):  # noqa: N802  the standard library's spelling
        """Take a handler; there will be nothing for it."""

    def debug(self, message, *args):
        """Drop the message."""

    info = warning = error = debug


_SILENT = _Silent()


def getLogger(name=None):  # noqa: N802  the standard library's spelling
    """Return the one silent logger, whatever the name."""
    return _SILENT
