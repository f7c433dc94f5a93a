"""The queue of SCPI errors; their texts, which `scpi_texts` has, are fetched when one is read.

The queue is first in, first out.  When it is full, the newest entry gives way to -350, so the
oldest errors, the ones that explain the rest, are never lost.
"""

from controller.borrow import borrow

NO_ERROR = (0, "No error")
QUEUE_OVERFLOW = -350

# A script that never reads its errors needs room for the first few only; SCPI asks for two.
QUEUE_DEPTH = 16
# SCPI-1999 allows 255 characters for text and detail together; less keeps a full queue near 3 KB.
DETAIL_MAX = 160


def text(number) -> str:
    """Return the standard text of an error number, or the text of its class."""
    texts = borrow("controller.link.scpi_texts").TEXTS
    if number in texts:
        return texts[number]
    if number > 0:
        return texts[-300]  # 1..32767 are the device's own
    return texts.get(-(-number // 100 * 100), texts[-300])


class ErrorQueue:
    """Errors not yet read, oldest first."""

    def __init__(self):
        self._entries = []

    def push(self, number, detail=""):
        """Add an error; return the number that was stored (-350 if there was no room)."""
        if len(self._entries) < QUEUE_DEPTH:
            self._entries.append((number, detail[:DETAIL_MAX]))
            return number
        self._entries[-1] = (QUEUE_OVERFLOW, "")
        return QUEUE_OVERFLOW

    def pop(self):
        """Return and remove the oldest error as (number, text), or NO_ERROR."""
        if not self._entries:
            return NO_ERROR
        number, detail = self._entries.pop(0)
        return number, text(number) + ";" + detail if detail else text(number)

    def count(self):
        """Return how many errors wait."""
        return len(self._entries)

    def clear(self):
        """Forget them all (*CLS)."""
        self._entries = []
