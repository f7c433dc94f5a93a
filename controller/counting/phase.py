"""Phase: do parts still fall where and as they used to?  Drift shows here before it costs a count.

Theory of operation
-------------------
Of every part counted in a run at the full rate two things are charted (`charts`):

    release phase   where the sprocket stood when its pocket let go, past the nominal release edge:
                    the delay to the beam less the fall, times the step rate at that edge.  A delay
                    alone would be longer at any slower rate; so it is only taken close to the full
                    one, where an error in the fall is the same error of phase for every part
    width           how long the part darkened the beam

What a shift means follows from which of the two it is, and how sudden:

    phase, at once     SLIP   the wheel stands elsewhere than the motor believes, or something moved
    phase, slowly      WEAR   the edge that lets go is not what it was
    width              DIRT   the beam sees a part begin earlier and end later, or has been moved

Dirt makes parts seem to come earlier, too, and where their width scatters much it is the phase that
tells first; so a phase that has become earlier is dirt if the width has grown with it.

The first alarm stays, with its direction, until somebody has cleared it or has the charts learn
anew; the unit goes on.  Where a single part has told where the wheel stands, because there is no
index sensor, the phase is only as good as that part: it gets a new target then, and its scatter is
kept.

Learned is from the first parts after power-up, a new sprocket or a command; afterwards only when
told to, so that slow changes add up against the machine as it was when it was set up.  Another
description makes other numbers of the same parts: what was learned under it does not count.
"""

from binascii import crc32

from controller.counting.charts import Chart
from controller.motion.gear import MDEG_PER_TURN, PPM
from controller.motion.intmath import round_half_away
from controller.motion.reach import US_PER_S

FINE = 16  # units of phase in a step: half of one is then far below any scatter

# Rates within this share of the full one count: from there the planner only rounds.
FULL_NUM = 15
FULL_DEN = 16
# What an index edge or the steps themselves may be off: phase that scatters less is not measured.
LEAST_PHASE_DIVISOR = 512  # of a pocket
# An alarm that took no more parts than this came from a shift of 1.75 sigma or more.
SUDDEN_PARTS = 16

NO_ALARM, SLIP, WEAR, DIRT = range(4)


class Phase:
    """The two charts and the alarm."""

    def __init__(self, settings, windows, ratio):
        """`ratio`: the `PocketRatio` of the module."""
        self._ratio = ratio
        self._fall_us = windows.fall_us
        self._full_steps_s = settings.limit_velocity_steps_s * FULL_NUM // FULL_DEN
        pitch = ratio.of_ppm(PPM)
        self.phase = Chart(max(1, FINE * pitch // LEAST_PHASE_DIVISOR))
        self.width = Chart(max(1, windows.bounce_us))
        bearing = (
            windows.fall_us,
            windows.merge_us,
            settings.limit_velocity_steps_s,
            settings.sprocket_release_mdeg,
            ratio.num,
            ratio.den,
            ratio.pockets,
        )
        self._bearing = crc32(repr(bearing).encode())  # what learned values rest upon
        self._finds = 0  # as in `take`
        self.fresh = False  # something has been learned or forgotten that is to be kept
        self.clear()

    def clear(self):
        """Somebody has seen to the alarm."""
        self.alarm = NO_ALARM
        self.direction = 0  # +1: later or wider than learned, -1: earlier or narrower
        self.phase.sums.clear()
        self.width.sums.clear()

    def learn(self):
        """Learn both quantities anew: parts, beam or chute have been changed."""
        self.width.learn()
        self.learn_phase()

    def learn_phase(self):
        """Learn the phase anew: a new sprocket is in."""
        self.phase.learn()
        self.fresh = True
        self.clear()

    # ---- parts ----------------------------------------------------------------------------------

    def take(self, delay_us, width_us, rate_steps_s, finds):
        """Take a counted part; return True if it has raised the alarm.

        `delay_us` from the nominal release edge to the beam, at that step rate; `finds` as in the
        sprocket: how often a part has told where the wheel stands.
        """
        if rate_steps_s < self._full_steps_s:
            return False
        if finds != self._finds:
            self._finds = finds
            self.phase.recentre()
        phase = (delay_us - self._fall_us) * rate_steps_s * FINE // US_PER_S
        for chart, value in ((self.phase, phase), (self.width, width_us)):
            if chart.take(value):
                self.fresh = True
        if self.alarm == NO_ALARM:
            self._look(self.phase)
            self._look(self.width)
            return self.alarm != NO_ALARM
        return False

    def _look(self, chart):
        """Raise the alarm if this chart calls for it and none is there yet."""
        sums = chart.sums
        if self.alarm != NO_ALARM or not chart.watching or max(sums.up, sums.down) < chart.limit:
            return
        later = sums.up >= sums.down
        parts = sums.up_for if later else sums.down_for
        self.direction = 1 if later else -1
        if chart is self.width:
            self.alarm = DIRT
        elif not later and self._dimmed():
            self.alarm = DIRT
            self.direction = 1  # of the width
        else:
            self.alarm = SLIP if parts <= SUDDEN_PARTS else WEAR

    def _dimmed(self):
        """True if parts are seen earlier and wider: twice as much wider, in theory."""
        earlier_us = (self.phase.target - self.phase.mean) * US_PER_S // (FINE * self._full_steps_s)
        return self.width.watching and self.width.mean - self.width.target >= earlier_us

    # ---- read-out -------------------------------------------------------------------------------

    def of_phase(self):
        """(learned, target, sigma, mean, scatter, later, earlier), in mdeg of the sprocket.

        The last two are the sums in per cent of their limit.
        """
        return self._told(self.phase, self._mdeg)

    def of_width(self):
        """(learned, target, sigma, mean, scatter, wider, narrower), in us; likewise."""
        return self._told(self.width, int)

    def _told(self, chart, unit):
        if not chart.watching:
            return (0, unit(chart.target), unit(chart.sigma), 0, 0, 0, 0)
        sums, limit = chart.sums, chart.limit
        return (
            1,
            unit(chart.target),
            unit(chart.sigma),
            unit(chart.mean),
            unit(chart.scatter),
            min(100, 100 * sums.up // limit),
            min(100, 100 * sums.down // limit),
        )

    def _mdeg(self, value):
        ratio = self._ratio
        turn = FINE * ratio.num * ratio.pockets
        return round_half_away(value * MDEG_PER_TURN * ratio.den, turn)

    # ---- what outlives the power ----------------------------------------------------------------

    def learned(self):
        """Return (bearing, phase target, sigma, width target, sigma); a sigma of 0: not known."""
        phase, width = self.phase, self.width
        return (self._bearing, phase.target, phase.sigma, width.target, width.sigma)

    def restore(self, values):
        """Take over what `learned` has given; learn anew if it was of another description."""
        bearing, phase, phase_sigma, width, width_sigma = values
        same = bearing == self._bearing
        for chart, target, sigma in (
            (self.phase, phase, phase_sigma),
            (self.width, width, width_sigma),
        ):
            if sigma and same:
                chart.restore(target, sigma)
            else:
                chart.learn()
