"""A wheel for tests of what moves it: a drive port with a physical wheel behind it.

Theory of operation
-------------------
`Wheel` is the drive.  Pulses come at the times that the moves' own pairs add up to, each turns the
motor by one step, and the wheel follows within the play of the gears.  Where the wheel passes a
release edge for the first time its pocket lets go; where it passes an index edge forward, the
sensor says so.  Nothing here is taken from the code under test but `Move.pairs()`.

`Bench` puts a `Sprocket` on it and goes round as the firmware does: at the sprocket's deadlines,
at the end of a move, and where a test asks for it.  At every round it checks the one thing that
must hold whatever happens: no pocket has let go that was not opened before its part could fall.

Positions are motor steps from dwell 0; a pitch is `NUM / DEN` steps.
"""

from controller.board.ports import CUT, RUNNING, STALLED
from controller.motion.sprocket import MOVING, Sprocket
from tests.portable.module import settings

TICKS_PER_US = 5
# 200 full steps x 4 microsteps x 51/17 over 7 pockets.
NUM, DEN = 2400, 7
PITCH = 343  # rounded
FLAG = 27  # steps over which the index sensor sees its flag
LEAD = 200  # steps from an index edge to the release: 30 degrees of 2400 steps a turn
PLAY = 4  # real play of the gears, less than the bound of 0.8 degrees: 5 steps
IN_FLIGHT_STEPS = 64
# A part is at the beam no sooner than this after its release; until then it may be opened.
SOONEST_US = 20_000
NEVER = 1 << 40  # ticks to a next pulse that does not come


def wheel_settings(**changes):
    """The nut module with a quarter of its microsteps, so that a test has few steps to count."""
    table = {
        "motor_microsteps": 4,
        "limit_velocity_steps_s": 3464,
        "limit_acceleration_steps_s2": 64_000,
        "limit_jerk_steps_s3": 3_200_000,
        "limit_start_stop_steps_s": 800,
        "limit_creep_steps_s": 200,
    }
    table.update(changes)
    return settings(**table)


def last_edge(position):
    """Number of the last release edge at or behind `position`: edge k lies at (k - 1/2) pitches."""
    return (2 * DEN * position + NUM) // (2 * NUM)


class Wheel:
    """Drive, motor, gears with play, wheel and index sensor."""

    def __init__(self, at_steps, late=()):
        """`late`: (pocket, steps) for pockets that let go so long after their nominal edge."""
        self.motor = at_steps
        self.wheel = at_steps
        self.flags = 0
        self.issued = 0
        self.coast_steps = 0  # how far the wheel runs on when it is cut off at cruise
        self.slip_at = None  # (pulse, steps): the motor loses so many steps at that pulse
        self.stall_at = None  # the pulse from which on the motor does not follow
        self.late_orders = 0  # so many orders come too late to be obeyed
        self.hung = False  # the drive neither steps nor ends its move
        self.sensor_works = True
        self.let_go = []  # times at which pockets have let go, in order
        self.edges = []  # times of index edges not yet taken
        self.left = []  # and of the flag leaving its sensor
        self.ticks = []  # of each pulse of the move, from its start
        self._late = dict(late)
        self._furthest = last_edge(at_steps)
        while self._late.get(self._furthest, 0) and not self._lets_go(self._furthest):
            self._furthest -= 1
        self._index = last_edge(at_steps + LEAD)
        self._leaving = last_edge(at_steps + LEAD - FLAG)
        self._start_us = 0
        self._move = None
        self.now_us = 0

    # The drive port.

    def start(self, move):
        assert not self.flags & RUNNING
        self.flags = RUNNING
        self.issued = 0
        self._start_us = self.now_us
        self._move = move
        self._lay_out(move.pairs())

    def amend(self, cruise_steps):
        assert self.flags & RUNNING
        if self.late_orders:
            self.late_orders -= 1
            return False
        head = sum([(word & 0xFFF) + 1 for word in self._move.head])
        assert self.issued + IN_FLIGHT_STEPS <= head + cruise_steps, "an order the drive can't obey"
        self._move = self._move.amended(cruise_steps)
        self._lay_out(self._move.pairs())
        return True

    def halt(self):
        if self.flags & RUNNING:
            self._stop()

    def status(self):
        return (self.flags, self.issued)

    # The world.

    @property
    def end_us(self):
        """When the last pulse is out; None at rest."""
        if not self.flags & RUNNING or self.hung:
            return None
        return self._start_us - (-self.ticks[-1] // TICKS_PER_US)

    def cut(self):
        """Somebody opens the guard."""
        if self.flags & RUNNING:
            self._stop()
        self.flags |= CUT

    def advance(self, now_us):
        """Let the pulses up to `now_us` come."""
        self.now_us = now_us
        if not self.flags & RUNNING or self.hung:
            return
        direction = self._move.direction
        due = (now_us - self._start_us) * TICKS_PER_US
        while self.issued < len(self.ticks) and self.ticks[self.issued] <= due:
            at_us = self._start_us + self.ticks[self.issued] // TICKS_PER_US
            self.issued += 1
            if self.stall_at is not None and self.issued >= self.stall_at:
                self.flags |= STALLED
                continue
            self.motor += direction
            if self.slip_at is not None and self.slip_at[0] == self.issued:
                self.motor -= direction * self.slip_at[1]
            self._follow(at_us)
        if self.issued == len(self.ticks):
            self.flags &= ~RUNNING

    def _lay_out(self, pairs):
        self.ticks = []
        ticks = 0
        for steps, interval in pairs:
            for _ in range(steps):
                ticks += interval
                self.ticks.append(ticks)

    def _stop(self):
        """The way to rest goes with the square of the speed."""
        self.flags &= ~RUNNING
        at = max(1, self.issued)
        interval = self.ticks[at] - self.ticks[at - 1] if at < len(self.ticks) else NEVER
        fastest = self._move.cruise_ticks
        self.motor += self._move.direction * self.coast_steps * fastest**2 // interval**2
        self._follow(self.now_us)

    def _follow(self, at_us):
        """The wheel goes along with the motor as far as the play makes it."""
        self.wheel = min(max(self.wheel, self.motor), self.motor + PLAY)
        index = last_edge(self.wheel + LEAD)
        if index > self._index and self.sensor_works:
            self.edges.append(at_us)
        self._index = index
        leaving = last_edge(self.wheel + LEAD - FLAG)
        if leaving > self._leaving and self.sensor_works:
            self.left.append(at_us)
        self._leaving = leaving
        while self._lets_go(self._furthest + 1):
            self._furthest += 1
            self.let_go.append(at_us)

    def _lets_go(self, pocket):
        return last_edge(self.wheel - self._late.get(pocket, 0)) >= pocket


class Bench:
    """A sprocket on a wheel, and the round of the firmware."""

    def __init__(self, at_steps=0, fall_us=None, late=(), **changes):
        """`at_steps`, `late`: the wheel at first; `fall_us`: tell the sprocket of parts."""
        self.wheel = Wheel(at_steps, late)
        self.sprocket = Sprocket(wheel_settings(**changes), self.wheel)
        self.now_us = 1_000_000
        self.wheel.advance(self.now_us)
        self.opened = []  # what the sprocket said of all pockets ever opened
        self.fall_us = fall_us
        self._seen = 0  # parts that have reached the beam

    def go(self, until_us=None):
        """Go round until the sprocket is at rest, or until a time; return how the move ended."""
        motion = MOVING
        while self.sprocket.moving and motion == MOVING:
            if until_us is not None and self.now_us >= until_us:
                return motion
            motion = self.round(self._next_us(until_us))
        return motion

    def wait(self, span_us):
        """Let time pass, with a round at its end."""
        self.round(self.now_us + span_us)

    def round(self, now_us):
        """Let the world go on to `now_us`, then go round once; return what the poll answers."""
        wheel, sprocket = self.wheel, self.sprocket
        self.now_us = now_us
        wheel.advance(now_us)
        for at_us in wheel.edges:
            sprocket.on_index(at_us)
        wheel.edges = []
        motion = sprocket.poll(now_us, self.opened)
        if self.fall_us is not None:
            while self._seen < len(wheel.let_go):
                start_us = wheel.let_go[self._seen] + self.fall_us
                if start_us > now_us:
                    break
                self._seen += 1
                sprocket.on_part(start_us, self.fall_us)
        self.check()
        return motion

    def check(self):
        """No part can be at the beam whose pocket has not been opened."""
        out = len([at_us for at_us in self.wheel.let_go if at_us + SOONEST_US <= self.now_us])
        assert out <= len(self.opened), (out, len(self.opened), self.now_us)

    def _next_us(self, until_us):
        due = [self.sprocket.deadline_us(), self.wheel.end_us, until_us]
        if self.fall_us is not None and self._seen < len(self.wheel.let_go):
            due.append(self.wheel.let_go[self._seen] + self.fall_us)
        later = [at_us for at_us in due if at_us is not None and at_us > self.now_us]
        return min(later) if later else self.now_us + 1

    # What tests ask for all the time.

    def run(self, pockets):
        """A run, to its end."""
        self.sprocket.run(pockets, self.now_us)
        return self.go()

    def nudge(self, steps):
        """A nudge, to its end."""
        self.sprocket.nudge(steps, self.now_us)
        return self.go()

    def registered(self):
        """Go on until the position is known and the wheel at rest in a dwell; return self."""
        while not self.sprocket.known:
            self.run(1)
        if self.sprocket.to_dwell(self.now_us):
            self.go()
        return self

    @property
    def off_dwell(self):
        """Steps from where the wheel stands to the nearest dwell position (rounded down)."""
        pockets = (2 * self.wheel.wheel * DEN + NUM) // (2 * NUM)
        return self.wheel.wheel - pockets * NUM // DEN
