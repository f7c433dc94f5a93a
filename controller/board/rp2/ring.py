"""A ring that an interrupt fills and the main loop empties.

Theory of operation
-------------------
All memory is there from the start.  The interrupt is the only one to move `_head`, the main loop
the only one to move `_tail`, and either moves its own only after the entry is written or read: so
no interrupt, wherever it comes, shows a half-written entry or loses one.  A full ring takes nothing
more and counts what it could not take; what it holds stays as it is, because the oldest edges are
those the main loop is about to count.

Stamps are bare ticks (below 2^30), which need no memory of their own on a 32-bit chip.
"""

from array import array

LOST_MASK = 0xFFFFFF  # the count of lost entries goes round, before it would need memory


class Ring:
    """Room for `size` entries less one; `size` is a power of two."""

    def __init__(self, size):
        self._mask = size - 1
        self._stamps = array("I", bytes(4 * size))
        self._codes = bytearray(size)
        self._head = 0  # where the next entry goes
        self._tail = 0  # the oldest entry
        self.lost = 0  # entries that found no room, since power-up

    def put(self, stamp, code):
        """Store one entry. Allocation-free, for interrupts."""
        head = self._head
        after = (head + 1) & self._mask
        if after == self._tail:
            self.lost = (self.lost + 1) & LOST_MASK
            return
        self._stamps[head] = stamp
        self._codes[head] = code
        self._head = after

    def drain(self, clock):
        """Return the entries up to the present round as a list of (time_us, code), oldest first.

        What an interrupt has stamped since the round began is left for the next one, so that no
        edge is younger than the time the round has been told.
        """
        found = []
        tail = self._tail
        head = self._head
        while tail != head:
            at_us = clock.at_us(self._stamps[tail])
            if at_us > clock.round_us:
                break
            found.append((at_us, self._codes[tail]))
            tail = (tail + 1) & self._mask
            self._tail = tail
        return found
