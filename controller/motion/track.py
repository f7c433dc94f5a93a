"""The track of one move: which step is out when, and how the move can still be cut short.

Theory of operation
-------------------
A move is planned in ticks and started at a moment of the clock; from then on every step has its
time.  The track answers both ways round (time of a step, step of a time) and keeps the move as it
really is after it has been cut.  It outlives the end of its move, because evidence of where the
wheel stood may come later: a part takes its time to fall.
"""

from controller.motion.profile import step_ticks, stop_point
from controller.motion.words import IN_FLIGHT_STEPS, TICK_HZ, Move

TICKS_PER_US = TICK_HZ // 1000000

# A lag is measured in time and told in steps, at the step rate over this many steps of the plan.
LAG_SPAN_STEPS = 32
# A drive that finds an order too late is given another one, each by the steps in flight longer; so
# many of them are 20 ms at 10,000 steps/s, more than a round of the firmware may take.
CUT_TRIES = 4
# The step rate at an edge is a mean over this many steps before it and behind it.
RATE_SPAN_STEPS = 16


class Track:
    """The move under way, or the last one."""

    move: Move

    def __init__(self, drive):
        self._drive = drive
        self.moving = False
        self.forward = True
        self._started_us = 0
        self._sign = 0  # of the move's direction; 0 before the first
        self._origin = 0  # where the motor stood when it began

    def begin(self, move, now_us):
        """Have the drive start `move` now."""
        self._origin += self._sign * self.issued()
        self._sign = move.direction
        self.move = move
        self.forward = move.direction > 0
        self.moving = True
        self._started_us = now_us
        self._drive.start(move)

    def halt(self):
        """Have the drive stop at once."""
        self._drive.halt()
        self.moving = False

    def issued(self):
        """Return the steps issued so far."""
        return self._drive.status()[1]

    def time_us(self, step):
        """Return when `step` (held to the move) rises."""
        step = min(max(step, 1), self.move.steps)
        return self._started_us + step_ticks(self.move, step) // TICKS_PER_US

    def step_at(self, time_us):
        """Return how many steps lie at or before `time_us` (bisection)."""
        ticks = (time_us - self._started_us) * TICKS_PER_US
        low, high = 0, self.move.steps
        while low < high:
            middle = (low + high + 1) // 2
            if step_ticks(self.move, middle) <= ticks:
                low = middle
            else:
                high = middle - 1
        return low

    def lag_steps(self, time_us, expected):
        """Return how many steps late something came at `time_us` that step `expected` should bring.

        A look-up and a division, where `step_at` twice would be a search: it is asked every pocket.
        """
        steps = self.move.steps
        expected = min(max(expected, 1), steps)
        near = max(1, min(expected, steps - LAG_SPAN_STEPS))
        far = min(near + LAG_SPAN_STEPS, steps)
        span = step_ticks(self.move, far) - step_ticks(self.move, near)
        late = (time_us - self._started_us) * TICKS_PER_US - step_ticks(self.move, expected)
        return late * (far - near) // span if span else 0

    def passing(self, step):
        """Return when `step` rises, and the step rate there over RATE_SPAN_STEPS either way.

        (0, 0) if it is no step of this move.
        """
        if not 1 <= step <= self.move.steps:
            return 0, 0
        near = max(step - RATE_SPAN_STEPS, 1)
        far = min(step + RATE_SPAN_STEPS, self.move.steps)
        ticks = step_ticks(self.move, far) - step_ticks(self.move, near)
        return self.time_us(step), (far - near) * TICK_HZ // ticks if ticks > 0 else 0

    def motor_steps(self, time_us):
        """Return where the motor was commanded to be at `time_us`, not before the last move.

        In steps from power-up, forward positive, lash and all: nothing corrects this count.
        """
        if not self._sign:
            return 0
        return self._origin + self._sign * min(self.step_at(time_us), self.issued())

    def earliest_end(self, ahead=0):
        """Return the fewest steps the move can be cut to, `ahead` steps from now."""
        return stop_point(self.move, self.issued() + ahead)

    def cut_to(self, steps):
        """Shorten the move to `steps` in all where it still can be; return if it ends by then."""
        move = self.move
        if move.steps > steps and self.earliest_end() <= steps:
            cruise = move.cruise_steps - (move.steps - steps)
            if self._drive.amend(cruise):
                self.move = move.amended(cruise)
        return self.move.steps <= steps

    def cut_soon(self, steps):
        """Shorten the move to `steps`, or to the next length that can be; return what it has."""
        for tries in range(CUT_TRIES):
            if self.cut_to(max(steps, self.earliest_end(tries * IN_FLIGHT_STEPS))):
                break
        return self.move.steps
