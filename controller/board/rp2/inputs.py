"""Switches and the pocket index sensor on pins; the guard stops the drive in its interrupt.

Theory of operation
-------------------
Every input reads 1 on its safe side, and its wire is pulled to the other one.  The levels are read
from the pins when they are asked for.  Interrupts add what reading can't see:

- Guard: any edge calls `cut` there and then, so that the drive gets no further pulse and no current
  before the main loop has even looked.  Also the edge on which the guard shuts: it proves that it
  has been open, and if both edges fall into one interrupt it is the only one there is.
- Guard and driver fault hold a lapse: each edge is counted, and the level reads 0 until a `drain`
  after the count was shown.  Interrupt and main loop each write a number of their own, so a lapse
  between looking and draining is not lost but shown in the next round.
- Pocket index: both edges into a ring, each with its stamp.
- All of them: the stamp of the first change since the last drain.  That there was one brings the
  next round forward; how often a switch has chattered is of no use to anybody.

The firmware is no safety function, nor is this interrupt: the guard switch has to cut the drive in
hardware (see README.md).
"""

from controller.board.ports import DRIVE_HEALTHY, GUARD_CLOSED, LEVELS_CHANGED
from controller.board.rp2.ring import Ring

# Index edges between two rounds: two a pocket, so this is for a round that comes very late.
RING_INDEX = 32
# Counts of edges go round here: no more come between two rounds, and no interrupt gets a number
# that would need memory.
COUNT_MASK = 0xFFFF


class Inputs:
    """`controller.board.ports.Inputs`."""

    def __init__(self, levels, index, cut, clock, edges):
        """`levels`: (bit, pin, level that reads 1) each; `index`: (pin, level, code of the edge to
        it, code of the edge from it); `cut`: called in the guard's interrupt; `edges`: trigger for
        both edges."""
        self._clock = clock
        self._ticks_us = clock.ticks_us
        self._cut = cut
        self._levels = levels
        self._index_level, self._rise, self._fall = index[1:]
        self._ring = Ring(RING_INDEX)
        # Edges of guard, driver fault and all levels together: as counted by the interrupts, as
        # the last `levels` has shown them, as the last `drain` has acknowledged what was shown.
        self._guard = self._guard_shown = self._guard_known = 0
        self._fault = self._fault_shown = self._fault_known = 0
        self._all = self._all_shown = self._all_known = 0
        self._changed_at = 0  # ticks of the first change not yet acknowledged
        handlers = {GUARD_CLOSED: self._on_guard, DRIVE_HEALTHY: self._on_fault}
        for bit, pin, _ in levels:
            pin.irq(handler=handlers.get(bit, self._on_change), trigger=edges, hard=True)
        index[0].irq(handler=self._on_index, trigger=edges, hard=True)

    @property
    def waiting(self):
        """True while a level has changed that no round has looked at."""
        return self._all != self._all_known

    def levels(self):
        # The counts first, that of all edges before its parts: what comes in between then shows in
        # the levels, or calls for another round.
        self._all_shown = self._all
        self._guard_shown = self._guard
        self._fault_shown = self._fault
        bits = 0
        for bit, pin, level in self._levels:
            if pin.value() == level:
                bits |= bit
        if self._guard_shown != self._guard_known:
            bits &= ~GUARD_CLOSED
        if self._fault_shown != self._fault_known:
            bits &= ~DRIVE_HEALTHY
        return bits

    def drain(self):
        self._guard_known = self._guard_shown
        self._fault_known = self._fault_shown
        found = self._ring.drain(self._clock)
        if self._all_known != self._all_shown:
            at_us = min(self._clock.at_us(self._changed_at), self._clock.round_us)
            self._all_known = self._all_shown
            place = len(found)
            while place and found[place - 1][0] > at_us:
                place -= 1
            found.insert(place, (at_us, LEVELS_CHANGED))
        return found

    # ---- hard interrupts: no memory, no waiting -------------------------------------------------

    def _on_guard(self, pin):
        self._cut()
        self._guard = (self._guard + 1) & COUNT_MASK
        self._on_change(pin)

    def _on_fault(self, pin):
        self._fault = (self._fault + 1) & COUNT_MASK
        self._on_change(pin)

    def _on_change(self, pin):
        if self._all == self._all_known:
            self._changed_at = self._ticks_us()
        self._all = (self._all + 1) & COUNT_MASK

    def _on_index(self, pin):
        level = pin.value() == self._index_level
        self._ring.put(self._ticks_us(), self._rise if level else self._fall)
