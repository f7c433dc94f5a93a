"""The board's clock: microseconds that only grow, from a counter that goes round.

Theory of operation
-------------------
`time.ticks_us` of MicroPython goes round, on this chip every 2^30 us (18 minutes).  `begin_round`
reads it once per round of the main loop and adds what has passed to a number that never goes round;
that sum is the time of the whole round.  Two readings must lie less than half a turn (9 minutes)
apart, which the watchdog sees to.

An interrupt can do no such sums: it would need memory as soon as numbers grow beyond 31 bits.  It
stores the bare ticks, and the main loop extends them afterwards (`at_us`), relative to its own last
reading.  A stamp may be older than that reading or, if the interrupt came in the middle of a round,
younger; either way by much less than half a turn.
"""


class Clock:
    """Time since power-up. `time` is the module of that name, or looks like it."""

    def __init__(self, time):
        self.ticks_us = time.ticks_us  # for interrupts: bare ticks
        self._diff = time.ticks_diff
        self._ticks = time.ticks_us()
        self.round_us = 0  # time of the present round

    def now_us(self):
        """Return the time now, within a round too; changes nothing."""
        return self.round_us + self.since_us()

    def begin_round(self):
        """Read the time for a round of the main loop and return it."""
        ticks = self.ticks_us()
        self.round_us += self._diff(ticks, self._ticks)
        self._ticks = ticks
        return self.round_us

    def since_us(self):
        """Return how long ago the present round began: a small number, which takes no memory."""
        return self._diff(self.ticks_us(), self._ticks)

    def at_us(self, ticks):
        """Return the time of a stamp that an interrupt has taken as bare ticks."""
        return self.round_us + self._diff(ticks, self._ticks)
