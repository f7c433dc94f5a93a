"""Bench moves: what a person may have the module do outside a request.

Theory of operation
-------------------
Every move is at creep rate, bounded, and begun by one command; there is no command that keeps
the wheel turning.  To jog further the bench tool repeats the command while its button is held:
letting go is stopping.  Parts that fall meanwhile belong to no request; they are counted as
purged, so that the magazine level stays right.

Only one thing happens at a time; the unit must be in Execute, in the mode that the move belongs to.
"""

JOG_PPM_MAX = 1000000  # one jog is one pocket at most: what a person can watch and stop in time
PURGE_TURNS_MAX = 1  # one purge empties one turn of pockets at most, then asks again

_IDLE, _MOVE, _PURGE, _TEST = range(4)


class Maintenance:
    """One bench move or beam test at a time."""

    def __init__(self, sprocket, test):
        self._sprocket = sprocket
        self._test = test
        self._doing = _IDLE

    @property
    def busy(self):
        return self._doing != _IDLE

    def jog(self, ppm, now_us):
        """Creep by a part of a pocket, either way."""
        self._sprocket.nudge(self._sprocket.ratio.of_ppm(ppm), now_us)
        self._doing = _MOVE

    def purge(self, pockets, now_us):
        """Creep over `pockets` pockets."""
        self._sprocket.nudge(pockets * self._sprocket.pitch, now_us)
        self._doing = _PURGE

    def register(self, now_us):
        """Search for the pocket position over one pitch; a part may fall."""
        self._sprocket.lose()
        self._sprocket.run(1, now_us)
        self._doing = _MOVE

    def index(self, now_us):
        """Advance by one pocket."""
        self._sprocket.run(1, now_us)
        self._doing = _MOVE

    def begin_test(self, now_us):
        """Begin a test of the beam."""
        self._test.start(now_us)
        self._doing = _TEST

    def step(self, now_us):
        """Go on; the firmware has polled the sprocket already."""
        if self._doing == _TEST:
            if self._test.poll(now_us) is not None:
                self._doing = _IDLE
        elif self._doing != _IDLE and not self._sprocket.moving:
            self._doing = _IDLE

    def stop(self):
        """End the move as soon as it can be, and give up a test that has not begun."""
        if self._doing == _TEST:
            self._test.cancel()
            if not self._test.running:
                self._doing = _IDLE
        elif self._doing != _IDLE:
            self._sprocket.stop()

    def deadline_us(self, now_us):
        """Return when a test goes on, or None; moves are followed by the sprocket."""
        return self._test.deadline_us(now_us) if self._doing == _TEST else None
