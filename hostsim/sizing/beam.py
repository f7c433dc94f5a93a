"""The beam of a design: its drop and sensor, and the rates that the firmware's windows allow.

Theory of operation
-------------------
The windows are the firmware's own.  They depend on the rate themselves, as a faster wheel throws
its parts and passes its release edges sooner; so the highest rate is where the rate and what the
windows allow at that rate are equal.  The drop is a trade: a longer fall scatters more, a shorter
one leaves parts longer in the light.
"""

import math
from dataclasses import replace
from types import SimpleNamespace

from controller.counting.windows import Windows
from controller.motion.profile import (
    MIN_ACCELERATION_STEPS_S2,
    MIN_CREEP_STEPS_S,
    MIN_JERK_STEPS_S3,
    MIN_VELOCITY_STEPS_S,
)
from hostsim.sizing.description import Beamed, Plan, Runs
from hostsim.sizing.train import Motor, Train
from hostsim.sizing.wheel import UnfitError, Wheel

DROPS = (1.05, 1.2, 1.4, 1.7, 2.1, 2.6, 3.2, 4.0)  # times the longest extent
DROP_LEAST_MM = 10.0  # edge, guide and sensor need this much room
SENSORS_MS = ((0.2, 0.05), (0.1, 0.03), (0.05, 0.01), (0.02, 0.005))  # bounce, response
RATE_GUESS = 10.0  # pockets a second, to choose drop and sensor with
DROP_NEAR = 0.95  # of the highest rate is as good, and a shorter fall scatters less
ROUNDS = 12  # of looking for a rate; five are usual
RATE_ERROR = 1e-4  # of the rate
US_PER_S = 1_000_000


def choose_beam(wheel: Wheel, train: Train, motor: Motor) -> Beamed:
    """Return the least drop that allows nearly the highest rate, and the slowest sensor for it.

    Raises UnfitError if the part is too thin for any sensor.
    """
    part = wheel.part
    plan = Plan(wheel, train, motor, Beamed(0.0, 0.0, 0.0), 1.0)
    rated = []
    for share in DROPS:
        drop_mm = math.ceil(2 * max(share * part.longest_mm, DROP_LEAST_MM)) / 2
        for bounce_ms, response_ms in SENSORS_MS:
            beam = Beamed(drop_mm, bounce_ms, response_ms)
            windows = windows_of(replace(plan, beam=beam), plan.dwell_deg, RATE_GUESS)
            if bounce_ms * 1e3 <= windows.bounce_high_us:
                rated.append((US_PER_S / needed_us(windows), beam))
                break
    if not rated:
        raise UnfitError(
            f"at {part.shortest_mm:g} mm it is too thin to be told from chatter of the beam"
        )
    most = max(rate for rate, _ in rated)
    return next(beam for rate, beam in rated if rate >= DROP_NEAR * most)


def beam_limit(plan: Plan, dwell_deg: float) -> float:
    """Highest pocket rate that the firmware's windows allow with that dwell.

    The share of a pocket's time that they need grows with the rate, nearly in proportion to it, so
    the rate at which it is 1 is found by following the straight line between two rates.
    """

    def share(rate: float) -> float:
        return rate * needed_us(windows_of(plan, dwell_deg, rate)) / US_PER_S

    last, rate = RATE_GUESS / 2, RATE_GUESS
    last_share, this_share = share(last), share(rate)
    for _ in range(ROUNDS):
        if abs(this_share - 1) < RATE_ERROR:
            break
        slope = (this_share - last_share) / (rate - last)
        following = min(max(rate + (1 - this_share) / slope, rate / 4), rate * 4)
        last, last_share = rate, this_share
        rate, this_share = following, share(following)
    return rate


def slowest_rate(plan: Plan, rate: float) -> float:
    """Lowest rate at which no part can reach the beam before its pocket's release step.

    It may be let go before that by the spread and the lash, which take the longer the slower the
    wheel turns, and then has the earliest fall to go.
    """
    early_pockets = 0.5 - plan.dwell_deg / plan.wheel.pitch_deg
    return early_pockets * US_PER_S / windows_of(plan, plan.dwell_deg, rate).earliest_us


def needed_us(windows: Windows) -> int:
    """Least time from pocket to pocket that the windows allow."""
    return max(windows.separation_us, windows.late_us - windows.early_us, windows.merge_us + 1)


def windows_of(plan: Plan, dwell_deg: float, rate: float) -> Windows:
    """The firmware's windows of a module that is not described yet, at a rate of pockets.

    They read what they need by name; checking a whole description takes ten times as long, and is
    done once the rate is known.
    """
    wheel, train, motor, beam = plan.wheel, plan.train, plan.motor, plan.beam

    def steps(turns: float, least: int) -> int:
        return max(round(turns * motor.steps_per_turn), least)

    rev_s = rate * float(train.ratio) / wheel.pockets
    runs = Runs.at(rev_s, plan.ramp_s)
    part = wheel.part
    return Windows(
        SimpleNamespace(
            motor_full_steps=motor.values["full_steps_per_rev"],
            motor_microsteps=motor.values["microsteps"],
            gear_stages=((train.driver, train.driven),),
            sprocket_pockets=wheel.pockets,
            sprocket_pitch_radius_um=round(wheel.pitch_radius_mm * 1e3),
            sprocket_dwell_mdeg=max(round(dwell_deg * 1e3), 1),
            limit_velocity_steps_s=steps(rev_s, MIN_VELOCITY_STEPS_S),
            limit_acceleration_steps_s2=steps(runs.acceleration_rev_s2, MIN_ACCELERATION_STEPS_S2),
            limit_jerk_steps_s3=steps(runs.jerk_rev_s3, MIN_JERK_STEPS_S3),
            limit_creep_steps_s=steps(runs.creep_rev_s, MIN_CREEP_STEPS_S),
            part_longest_um=round(part.longest_mm * 1e3),
            part_shortest_um=round(part.shortest_mm * 1e3),
            part_hole_um=round(part.hole_mm * 1e3),
            beam_drop_um=round(beam.drop_mm * 1e3),
            beam_bounce_us=round(beam.bounce_ms * 1e3),
            beam_response_us=round(beam.response_ms * 1e3),
            beam_shortest_us=0,
            beam_longest_us=0,
            beam_merge_us=0,
            beam_early_us=0,
            beam_late_us=0,
            beam_stuck_us=0,
        )
    )
