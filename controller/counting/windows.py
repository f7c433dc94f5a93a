"""Windows: how long a part can darken the beam, and when, worked out from its size and its fall.

Theory of operation
-------------------
A pocket lets go of its part somewhere between the end of one dwell zone and the start of the
next, mostly at the release edge midway.  The part then falls freely, and tumbles while it does.

    fall        sqrt(2 h / g) for the drop h: the centre of a part let go at rest
    earliest    a part that hangs half its longest extent below its centre, and that was thrown
                downwards by the sprocket at cruise
    latest      a part let go at rest that rubs along the channel (SLOW)
    early, late earliest and latest, wider by the time the sprocket takes from the release edge
                to the dwell zone on either side.  A planned run passes its first and last release
                at the least speed, which is above the mean speed of a run over one pocket
    shortest    the part of the shortest extent that is sure to be seen (SURE) at full speed
    bounce      the chatter of the sensor, as set
    longest     the longest extent at the least speed
    merge       the hole at the least speed, or the chatter of the sensor if there is no hole
    stuck       no part takes so long, nor three that fall one upon the other
    separation  the least time from pocket to pocket that keeps two parts apart at the beam, if
                the first falls latest and the second earliest

Air drag is left out: on a washer it is half a percent of its weight at the beam, and less before.
The sensor's response may delay the edge into the dark or the edge out of it, and chatter may eat
into the dark; both are taken in the direction that hurts.  Any figure set to more than 0 in the
settings replaces the one derived here.
"""

from controller.motion.gear import MDEG_PER_TURN, PocketRatio
from controller.motion.intmath import ceil_div, root
from controller.motion.reach import US_PER_S, least_us

GRAVITY_UM_S2 = 9_806_650  # standard gravity, exact by definition (CGPM 1901)
TWO_PI_PPM = 6_283_185  # 2 pi in millionths

LEAST_PULSE_US = 20  # no sensor of this trade tells anything shorter from a disturbance

# A part that rubs on the channel or turns over in it takes up to a quarter longer than free fall
# over the same way (common practice; measure, and set late_ms or longest_ms, where it matters).
SLOW_NUM = 5
SLOW_DEN = 4
# A part that falls beside the middle of the channel shows the beam a chord: at least two thirds of
# its extent, if the channel is no wider than parts need (common practice).
SURE_NUM = 2
SURE_DEN = 3
# Parts that may fall one upon the other before a dark beam means a part that stays there.
PARTS_TOGETHER = 3


class Windows:
    """Time windows in us, from `controller.settings.Settings`.

    `early_us` and `late_us` count from the release step to the start of the pulse in a planned
    run; `creep_early_us` (which may be negative) and `creep_late_us` do so at the creep rate.
    """

    def __init__(self, settings):
        s = settings
        ratio = PocketRatio(
            s.motor_full_steps, s.motor_microsteps, s.gear_stages, s.sprocket_pockets
        )
        half_um = s.part_longest_um // 2
        throw_um_s = _rim_speed_um_s(ratio, s.sprocket_pitch_radius_um, s.limit_velocity_steps_s)
        margin_us = s.beam_response_us + s.beam_bounce_us

        self.bounce_us = s.beam_bounce_us
        self.fall_us = fall_us(s.beam_drop_um)
        self.earliest_us = fall_us(s.beam_drop_um - half_um, throw_um_s)
        self.latest_us = _slow(self.fall_us) + s.beam_response_us

        impact_um_s = root(throw_um_s**2 + 2 * GRAVITY_UM_S2 * (s.beam_drop_um + half_um), 2)
        sure_us = s.part_shortest_um * SURE_NUM * US_PER_S // (SURE_DEN * impact_um_s)
        self.shortest_us = s.beam_shortest_us or max(LEAST_PULSE_US, sure_us - margin_us)
        # Chatter by itself must not pass for a part.
        self.bounce_high_us = (s.beam_shortest_us or (sure_us - s.beam_response_us) // 2) - 1
        crossing_us = _slow(_crossing_us(s.beam_drop_um, s.part_longest_um))
        self.longest_us = s.beam_longest_us or crossing_us + margin_us
        hole_us = _slow(_crossing_us(s.beam_drop_um, s.part_hole_um))
        self.merge_us = s.beam_merge_us or max(1, hole_us + margin_us)
        self.stuck_us = s.beam_stuck_us or (PARTS_TOGETHER + 1) * self.longest_us

        pitch_mdeg = MDEG_PER_TURN // s.sprocket_pockets
        scatter_steps = ratio.of_mdeg(pitch_mdeg // 2 - s.sprocket_dwell_mdeg)
        pocket_us = least_us(
            ceil_div(ratio.num, ratio.den),
            s.limit_velocity_steps_s,
            s.limit_acceleration_steps_s2,
            s.limit_jerk_steps_s3,
        )
        scatter_us = ceil_div(pocket_us * scatter_steps * ratio.den, ratio.num)
        self.early_us = s.beam_early_us or max(1, self.earliest_us - scatter_us)
        self.late_us = s.beam_late_us or self.latest_us + scatter_us
        creep_scatter_us = ceil_div(scatter_steps * US_PER_S, s.limit_creep_steps_s)
        self.creep_early_us = self.early_us + scatter_us - creep_scatter_us
        self.creep_late_us = self.late_us - scatter_us + creep_scatter_us

        # The spread of the fall and the pulses have to fit into the share of the pitch in which no
        # part is let go: the dwell zone, which lies on both sides of rest.
        busy_us = self.latest_us - self.earliest_us + self.longest_us + self.merge_us
        self.separation_us = ceil_div(busy_us * pitch_mdeg, 2 * s.sprocket_dwell_mdeg)
        self.cruise_us = ceil_div(US_PER_S * ratio.num, ratio.den * s.limit_velocity_steps_s)


def relations(settings):
    """Return (key, value, low, high, why) for what must hold of the windows, derived or set."""
    w = Windows(settings)
    bounce_us = settings.beam_bounce_us
    return (
        ("beam_bounce_us", bounce_us, None, w.bounce_high_us,
         "chatter must be shorter than the shortest pulse of a part"),
        ("beam_shortest_us", w.shortest_us, None, w.longest_us - 1,
         "the shortest pulse is shorter than the longest"),
        ("beam_merge_us", w.merge_us, bounce_us + 1, w.cruise_us - 1,
         "longer than the chatter, shorter than from pocket to pocket at cruise"),
        ("beam_early_us", w.early_us, None, w.late_us - 1,
         "the early limit comes before the late one"),
        ("beam_stuck_us", w.stuck_us, w.longest_us + 1, None,
         "a stuck beam stays dark longer than any part takes"),
    )  # fmt: skip


def fall_us(drop_um, start_um_s=0):
    """Return the time a body takes to fall `drop_um`, starting downwards at `start_um_s`."""
    end_um_s_ppm = root((start_um_s**2 + 2 * GRAVITY_UM_S2 * drop_um) * US_PER_S**2, 2)
    return (end_um_s_ppm - start_um_s * US_PER_S) // GRAVITY_UM_S2


def _crossing_us(drop_um, extent_um):
    """Return how long a body of this extent, its centre let go at rest, takes to pass the beam."""
    half_um = extent_um // 2
    return fall_us(drop_um + half_um) - fall_us(drop_um - half_um)


def _rim_speed_um_s(ratio, radius_um, velocity_steps_s):
    """Return the speed of the pocket centres at a step rate."""
    turn_um = TWO_PI_PPM * radius_um // US_PER_S
    return turn_um * velocity_steps_s * ratio.den // (ratio.num * ratio.pockets)


def _slow(time_us):
    return ceil_div(time_us * SLOW_NUM, SLOW_DEN)
