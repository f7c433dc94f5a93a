"""The pace: how fast runs go, at the full velocity limit or at a share of it.

Theory of operation
-------------------
Whoever measures a module wants the same run at several rates: what belongs to the fall takes the
same time at each, what belongs to the wheel does not.  So a share of the velocity limit can be
asked for.  The next run takes it up, at rest, because planning takes a small microcontroller a
third of a second; acceleration and jerk stay as they are.  The planner of the full rate is kept
beside the other: its words may have been made in advance.  Nothing of this outlives the power.

The windows of the counting know how long a pocket is about to let go at the full rate.  At a lower
one it is for longer, so a release is then reported with the whole stretch between two dwell zones
around it, and opened at the start of that stretch: `spread` steps before the release edge.
"""

from controller.motion.gear import MDEG_PER_TURN, PPM
from controller.motion.profile import MIN_VELOCITY_STEPS_S, Planner

# A twentieth is about the creep rate of a fast module; what is slower than that, creep is for.
RATE_PPM_MIN = 50000
RATE_PPM_MAX = PPM


class Pace:
    """The planner that runs are planned with, and the rate asked for."""

    def __init__(self, settings, ratio, words=b""):
        """`settings` and `ratio` (`PocketRatio`) of the module; `words` as `Planner` takes them."""
        self._settings = settings
        half_mdeg = MDEG_PER_TURN // (2 * settings.sprocket_pockets)
        self._stretch = ratio.of_mdeg(half_mdeg - settings.sprocket_dwell_mdeg)
        self._full = self._plan(RATE_PPM_MAX, words)
        self._taken_ppm = RATE_PPM_MAX
        self.asked_ppm = RATE_PPM_MAX  # for the next run
        self.planner = self._full
        self.spread = 0  # steps before and after a release edge in which its part may be let go

    def ask(self, ppm):
        """Have the next run go at `ppm` of the velocity limit, held to RATE_PPM_MIN..MAX."""
        self.asked_ppm = min(max(ppm, RATE_PPM_MIN), RATE_PPM_MAX)

    def take_up(self):
        """Take up the rate asked for; only at rest, because it may take a while."""
        if self.asked_ppm == self._taken_ppm:
            return
        self._taken_ppm = self.asked_ppm
        if self._taken_ppm == RATE_PPM_MAX:
            self.planner = self._full
            self.spread = 0
        else:
            self.planner = self._plan(self._taken_ppm)
            self.spread = self._stretch

    def _plan(self, ppm, words=b""):
        s = self._settings
        velocity = max(MIN_VELOCITY_STEPS_S, s.limit_velocity_steps_s * ppm // PPM)
        return Planner(velocity, s.limit_acceleration_steps_s2, s.limit_jerk_steps_s3, words)
