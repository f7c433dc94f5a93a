"""The status light: what the unit does, as blinks that need no colour to be read.

A pattern is a row of times in ms, on and off by turns, beginning with on, and is repeated for as
long as the state lasts.  Steady means it works, a row of blinks asks for somebody (count them),
quick flicker means it will not move before somebody has cleared it.
"""

from controller.cycle import unit

STEADY = (1000, 0)
WORKING = (900, 100)  # a request is open: steady, with a gap each second
WAITING = (100, 2900)  # one blink in three seconds: stopped
READY = (100, 200, 100, 2600)  # two: reset, waits for Start
HELD = (200, 300, 200, 300, 200, 1800)  # three: jammed or held, see the cause
SUSPENDED = (200, 300, 200, 300, 200, 300, 200, 1300)  # four: refill, or put the bag back
ACTING = (500, 500)  # on its way from one state to another
ABORTED = (80, 80)
REFUSED = (1000, 300, 100, 300)  # long, short: the settings are refused

PATTERNS = {
    unit.EXECUTE: STEADY,
    unit.COMPLETE: STEADY,
    unit.STOPPED: WAITING,
    unit.IDLE: READY,
    unit.HELD: HELD,
    unit.SUSPENDED: SUSPENDED,
    unit.ABORTED: ABORTED,
}


class Light:
    """Shows a pattern on `signal`, a `machine.Signal` or like it; `time`: the module."""

    def __init__(self, signal, time):
        self._signal = signal
        self._time = time
        self._pattern = ()
        self._since_ms = 0  # goes round like `ticks_ms`, every twelve days
        self._level = 0
        signal.value(0)

    def show(self, pattern):
        """Go on with `pattern`, or begin it; to be called in every turn of the main loop."""
        now_ms = self._time.ticks_ms()
        passed_ms = self._time.ticks_diff(now_ms, self._since_ms)
        if pattern is not self._pattern or passed_ms < 0:
            self._pattern = pattern
            self._since_ms = now_ms
            passed_ms = 0
        level = level_at(pattern, passed_ms)
        if level != self._level:
            self._level = level
            self._signal.value(level)


def pattern_of(state, request_open):
    """Return what to show in a unit state."""
    if state == unit.EXECUTE and request_open:
        return WORKING
    return PATTERNS.get(state, ACTING)


def level_at(pattern, passed_ms):
    """Return 1 or 0: what a pattern shows so long after its begin."""
    passed_ms %= sum(pattern)
    level = 1
    for span_ms in pattern:
        if passed_ms < span_ms:
            return level
        passed_ms -= span_ms
        level = 1 - level
    return level
