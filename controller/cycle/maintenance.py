"""Bench moves: what a person may have the module do outside a request.

Theory of operation
-------------------
Every move is at creep rate or over one pocket, bounded, and begun by one command.

    jog        a part of a pocket, either way
    index      one pocket
    register   until the position is known: two stretches of one pitch at most
    purge      a number of pockets, one turn of the sprocket at most

A jog is held to run: the bench tool repeats the command while its button is held, and letting go is
stopping.  A purge is not.  It goes on by itself until its pockets are through, for seconds, because
a line of text can't vouch for a hand on a button: a program that repeats a command for somebody
only looks like an enabling switch.  What a person at the bench can rely on is the guard, which
cuts the drive in hardware; Stop, Abort (from any link) and *RST end every bench move as well.

Parts that fall belong to no request.  A move is over only when the last of them has had time to
reach the beam, so none is taken for a stray of the last bag; `owns` tells which pulses are its own.
They are counted as pieces, so that the magazine level stays right, and they may tell where the
wheel stands.  A new move may begin while parts of the last one still fall.

A drive that stalls, or a wheel that does not follow, holds the unit: nobody tries to free it here,
because somebody stands by.  Only one thing happens at a time; the unit must be in Execute, in the
mode that the move belongs to.
"""

from controller.cycle import causes
from controller.motion.sprocket import CUT_OFF, OVERDUE, STALL

JOG_PPM_MAX = 1000000  # one jog is one pocket at most: what a person can watch and stop in time
PURGE_TURNS_MAX = 1  # one purge empties one turn of pockets at most, then asks again
# A blind stretch is a little less than a pitch, and an edge of the index sensor may lie just behind
# where it begins: two stretches pass one for certain.
STRETCHES_MAX = 2

_IDLE, _MOVE, _SEARCH, _TEST = range(4)
_CAUSES = {STALL: causes.BENCH_STALL, OVERDUE: causes.SLIPPED, CUT_OFF: causes.GUARD_OPEN}


class Maintenance:
    """One bench move or beam test at a time. `halt_unit(cause, now_us)` as of the service."""

    def __init__(self, sprocket, test, windows, counters, halt_unit):
        self._sprocket = sprocket
        self._test = test
        self._windows = windows
        self._counters = counters
        self._halt_unit = halt_unit
        self._doing = _IDLE
        self._stretches = 0  # that a search may still go
        self._since_us = 0  # when the first of the moves began whose parts may still fall
        self._until_us = 0  # when the last of those parts must have reached the beam

    @property
    def busy(self):
        """True until the move or test is over and all that it let go has fallen."""
        return self._doing != _IDLE

    @property
    def moving(self):
        """True while another move can't begin."""
        return self._doing in (_SEARCH, _TEST) or (self.busy and self._sprocket.moving)

    def owns(self, start_us):
        """Tell whether a pulse that began at `start_us` may be a part of a bench move."""
        return self._since_us <= start_us <= self._until_us

    def passed(self, last_us):
        """The move has opened a pocket, which lets go at `last_us` at the latest."""
        windows = self._windows
        late_us = windows.creep_late_us if self._sprocket.creeping else windows.late_us
        self._until_us = max(self._until_us, last_us + late_us)

    # ---- beginning ------------------------------------------------------------------------------

    def jog(self, ppm, now_us):
        """Creep by a part of a pocket, either way."""
        self._begin(_MOVE, now_us)
        self._sprocket.nudge(self._sprocket.ratio.of_ppm(ppm), now_us)

    def purge(self, pockets, now_us):
        """Creep over `pockets` pockets."""
        self._begin(_MOVE, now_us)
        self._sprocket.nudge(pockets * self._sprocket.pitch, now_us)

    def register(self, now_us):
        """Search for the pocket position and go to the dwell next to it; parts may fall."""
        self._begin(_SEARCH, now_us)
        self._stretches = STRETCHES_MAX
        self._sprocket.lose()

    def index(self, now_us):
        """Advance by one pocket."""
        self._begin(_MOVE, now_us)
        self._sprocket.run(1, now_us)

    def begin_test(self, now_us):
        """Begin a test of the beam."""
        self._begin(_TEST, now_us)
        self._test.start(now_us)

    def _begin(self, what, now_us):
        if now_us > self._until_us:
            self._since_us = now_us
        self._doing = what

    # ---- going on -------------------------------------------------------------------------------

    def step(self, now_us, motion):
        """Go on; `motion` is what the sprocket's poll has answered."""
        if self._doing == _IDLE:
            return
        if self._doing == _TEST:
            if self._test.poll(now_us) is not None:
                self._doing = _IDLE
            return
        if motion in _CAUSES:
            self._give_up(_CAUSES[motion], now_us)
        if self._sprocket.moving or now_us <= self._until_us:
            return
        if self._doing == _SEARCH:
            self._search_on(now_us)
        else:
            self._doing = _IDLE

    def _search_on(self, now_us):
        """At rest, with nothing falling: begin another stretch, or end where the wheel belongs."""
        if self._sprocket.known:
            self._sprocket.to_dwell(now_us)
            self._doing = _MOVE
        elif self._stretches:
            self._stretches -= 1
            self._sprocket.run(1, now_us)
        else:
            self._give_up(causes.POSITION_UNKNOWN, now_us)

    def _give_up(self, cause, now_us):
        if cause in (causes.BENCH_STALL, causes.SLIPPED):
            self._counters.jams += 1
        self._doing = _MOVE  # until all has fallen
        self._halt_unit(cause, now_us)

    def stop(self):
        """End the move as soon as it can be, and give up a test that has not begun."""
        if self._doing == _TEST:
            self._test.cancel()
            if not self._test.running:
                self._doing = _IDLE
        elif self._doing != _IDLE:
            self._doing = _MOVE
            self._sprocket.stop()

    def deadline_us(self, now_us):
        """Return when it goes on by itself, or None; moves are followed by the sprocket."""
        if self._doing == _TEST:
            return self._test.deadline_us(now_us)
        if self._doing == _IDLE or self._sprocket.moving:
            return None
        return self._until_us + 1
