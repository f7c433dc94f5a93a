"""Samples: the newest measurements, one by one, for a host that sets the module up.

Theory of operation
-------------------
Commissioning learns from single measurements what the description of a module could only estimate:
how long after its release edge a part is at the beam, how many steps lie between two edges of the
pocket index.  The firmware decides nothing by them.  Each kind has a ring of its own, a plain array
that is made once; a host reads it out oldest first, and a gap in the sequence numbers tells it that
it was too slow.
"""

from array import array

# A host that looks a few times a second misses nothing at the highest pocket rates in use.
PARTS_KEPT = 64
INDEX_EDGES_KEPT = 32

MOST = 0x7FFFFFFF  # of what a column of 32 bits holds; what is beyond it stays there


class Samples:
    """A ring of `kept` rows of integers. `kind`: the typecode of its array, "i" or "q"."""

    def __init__(self, kept, columns, kind):
        self._kept = kept
        self._columns = columns
        self._rows = array(kind, [0] * (kept * columns))
        self._bounded = kind == "i"
        self._first = 0  # samples that are gone, read or not
        self._next = 0  # samples ever taken

    def add(self, *values):
        """Take one sample; the oldest unread one is lost when the ring is full."""
        at = self._next % self._kept * self._columns
        for value in values:
            if self._bounded:
                value = max(-MOST, min(value, MOST))
            self._rows[at] = value
            at += 1
        self._next += 1
        if self._next - self._first > self._kept:
            self._first = self._next - self._kept

    def count(self):
        """Return how many samples wait to be read out."""
        return self._next - self._first

    def take(self):
        """Return and remove the oldest unread sample as (sequence from 1 on, values ...).

        All are 0 if there is none.
        """
        if self._first == self._next:
            return (0,) * (self._columns + 1)
        at = self._first % self._kept * self._columns
        self._first += 1
        return (self._first,) + tuple(self._rows[at : at + self._columns])
