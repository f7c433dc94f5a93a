"""The beam's self-test: does it read blocked when its emitter is dark, and clear again after?

Theory of operation
-------------------
A through-beam sensor that has died "clear" never sees a part, and a count made with it looks
like a row of empty pockets.  So the test output switches the emitter off: the beam must read
blocked within its response time, and clear again within the same time after the emitter is back.

The test's own edges must not be counted: `covers` names them.  A part may fall during the test; it
takes longer than the test should, so it is still in the beam when the emitter is back.  The level
read then is handed to the pulse reader by the firmware, and the part is counted from there on.
(Where rounds take as long as a part, one may pass in the dark.  Only a part that has clung until
now can fall just then: a test begins after all others must have fallen.)
A beam that stays blocked gets time to clear, because a part may be in it, but not for ever.

Without a test output only the clear reading can be checked, which a dead beam may show as well as a
sound one: such a test passes, but it `proves` nothing, and silent pockets stay in the upper bound.
"""

PASSED = 1
DEAD = 2  # reads clear with the emitter dark
BLOCKED = 3  # reads blocked with the emitter lit

_IDLE, _CLEARING, _DARK, _LIGHT = range(4)

# While it waits for a blocked beam to clear, the test looks again this often: well below the
# time a person needs to notice, well above what would load the main loop.
LOOK_US = 5000
# The output is read this much after the sensor's rated response and chatter, which are typical
# figures, not limits.
RESPONSE_MARGIN_US = 100


class BeamTest:
    """One test at a time: `start`, then `poll` until it answers."""

    def __init__(self, settings, windows, beam):
        self._beam = beam
        self._fitted = settings.beam_test
        settled_us = settings.beam_response_us + settings.beam_bounce_us
        self._response_us = settled_us + RESPONSE_MARGIN_US
        self._patience_us = max(settings.recovery_chute_ms * 1000, windows.stuck_us)
        self._part_us = windows.longest_us
        self._phase = _IDLE
        self._until_us = 0
        self._dark_us = 0  # the last test: emitter off,
        self._lit_us = 0  # emitter on again,
        self._open_us = 0  # level true again
        self._in_beam = False
        self.verdict = None  # of the last test: PASSED, DEAD or BLOCKED

    @property
    def proves(self):
        """True if a test that has passed shows that the beam would have seen a part."""
        return self._fitted != 0

    @property
    def running(self):
        """True from `start` until `poll` has answered."""
        return self._phase != _IDLE

    def start(self, now_us):
        """Begin a test."""
        self._phase = _CLEARING
        self._until_us = now_us + self._patience_us

    def cancel(self):
        """Give up a test that still waits for a clear beam.

        One that has darkened the emitter goes on: it is over in milliseconds, and must have seen
        the light again before the beam's level means anything.
        """
        if self._phase == _CLEARING:
            self._phase = _IDLE

    def poll(self, now_us):
        """Go on with the test; return None while it runs, then PASSED, DEAD or BLOCKED once."""
        blocked = self._beam.read()[0]
        if self._phase == _CLEARING:
            if blocked:
                return self._end(BLOCKED) if now_us >= self._until_us else None
            if not self._fitted:
                return self._end(PASSED)
            self._beam.test(True)
            self._dark_us = now_us
            self._in_beam = False
            self._next(_DARK, now_us + self._response_us)
        elif self._phase == _DARK and now_us >= self._until_us:
            self._beam.test(False)
            self._lit_us = now_us
            self._open_us = now_us + self._response_us
            if not blocked:
                return self._end(DEAD)
            self._next(_LIGHT, now_us + self._response_us)
        elif self._phase == _LIGHT and now_us >= self._until_us:
            if not blocked:
                return self._end(PASSED)
            if now_us >= self._lit_us + self._part_us:
                return self._end(BLOCKED)
            self._in_beam = True  # a part may be passing
            self._until_us = now_us + self._response_us
        return None

    def deadline_us(self, now_us):
        """Return when to poll next, or None when no test runs."""
        if self._phase == _IDLE:
            return None
        if self._phase == _CLEARING:
            return min(self._until_us, now_us + LOOK_US)
        return self._until_us

    @property
    def masking(self):
        """True while the beam's level is the test's doing."""
        return self._phase == _DARK or (self._phase == _LIGHT and not self._in_beam)

    def covers(self, edge_us):
        """True if an edge at `edge_us` is the test's own, or hidden by it."""
        return self._dark_us <= edge_us and (self.masking or edge_us < self._open_us)

    def _next(self, phase, until_us):
        self._phase = phase
        self._until_us = until_us

    def _end(self, verdict):
        self._phase = _IDLE
        self.verdict = verdict
        return verdict
