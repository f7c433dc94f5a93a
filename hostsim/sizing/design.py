"""A design: wheel, gears, motor and beam together, the rate they allow, and what binds it.

Theory of operation
-------------------
Four limits bound the pocket rate, each worked out where it belongs:

    motor       `hostsim.drivetrain`: the speed up to which pull-out torque keeps its margin
    refill      `hostsim.facts`: a pocket must stay under the mouth until a part has slid in
    separation  the firmware's windows: two parts must not meet at the beam, and the window of a
                pocket must close before the next one's opens
    lash        the same with the lash taken off the dwell, for a wheel that the gears leave free
                to run ahead lets go early

Only the last two depend on the rate itself (a faster wheel throws its parts), so their limit is
where the rate and what the windows allow at that rate are equal.  Drop and sensor of the beam are
chosen before, for each wheel.
"""

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from controller.counting.windows import Windows
from controller.motion.gear import PocketRatio
from hostsim.config import ConfigError, ModuleConfig, convert
from hostsim.drivetrain.margin import start_stop_limit_rev_s, velocity_limit_rev_s
from hostsim.facts import refill_rate
from hostsim.sizing.description import RAMP_S, START_STOP_REV_S, Beamed, Plan, Runs
from hostsim.sizing.train import Motor, Train
from hostsim.sizing.wheel import CLEARANCE_MM, Wheel

SHARE = 0.95  # of the lowest limit that a module is run at: estimates are off by some per cent
RAMPS_S = (RAMP_S, 2 * RAMP_S, 4 * RAMP_S)
START_SHARE = 0.45  # of the fastest start without a ramp
DROPS = (1.05, 1.2, 1.4, 1.7, 2.1, 2.6, 3.2, 4.0)  # times the longest extent
DROP_LEAST_MM = 10.0  # edge, guide and sensor need this much room
SENSORS_MS = ((0.2, 0.05), (0.1, 0.03), (0.05, 0.01), (0.02, 0.005))  # bounce, response
RATE_GUESS = 10.0  # pockets a second, to choose drop and sensor with
RATE_MOST = 200.0
DROP_NEAR = 0.95  # of the highest rate is as good, and a shorter fall scatters less
ROUNDS = 12  # of looking for a rate; five are usual
RATE_ERROR = 1e-4  # of the rate
US_PER_S = 1_000_000


class UnfitError(Exception):
    """A combination that cannot be built or run; says why in a few words.

    It could run at `at_most`, or must at `at_least`, pockets/s; 0.0 where no rate helps.
    """

    def __init__(self, why: str, at_most: float = 0.0, at_least: float = 0.0) -> None:
        super().__init__(why)
        self.at_most = at_most
        self.at_least = at_least


@dataclass(frozen=True)
class Limits:
    """Pocket rates that something allows, 1/s."""

    motor: float
    refill: float
    separation: float
    lash: float

    @property
    def lowest(self) -> float:
        """The rate that all of them allow."""
        return min(self.motor, self.refill, self.separation, self.lash)

    @property
    def binding(self) -> str:
        """What binds. The lash does where, without it, something else but the beam would."""
        if self.lowest == self.motor:
            return "motor"
        if self.lowest == self.refill:
            return "refill"
        return "lash" if self.separation > min(self.motor, self.refill) else "separation"


@dataclass(frozen=True)
class Design:
    """One way to build a module."""

    plan: Plan
    config: ModuleConfig
    limits: Limits

    @property
    def wheel(self) -> Wheel:
        """The sprocket."""
        return self.plan.wheel

    @property
    def train(self) -> Train:
        """The gears."""
        return self.plan.train

    @property
    def rate(self) -> float:
        """Pockets a second at cruise."""
        return self.plan.velocity_rev_s / float(self.train.ratio) * self.wheel.pockets

    @property
    def width_mm(self) -> float:
        """Of a housing around wheel and gears."""
        return max(self.wheel.housing_mm, self.train.width_mm)

    @property
    def steps_per_pocket(self) -> Fraction:
        """Motor steps, exactly."""
        return self.train.steps_per_pocket(self.plan.motor.steps_per_turn, self.wheel.pockets)

    @cached_property
    def rounding(self) -> tuple[int, ...]:
        """Steps commanded for each pocket of one turn."""
        s = self.config.settings
        ratio = PocketRatio(
            s.motor_full_steps, s.motor_microsteps, s.gear_stages, s.sprocket_pockets
        )
        stops = [ratio.target(pocket) for pocket in range(s.sprocket_pockets + 1)]
        return tuple(after - before for before, after in pairwise(stops))

    @property
    def step_mm(self) -> float:
        """Travel of a pocket with one step."""
        return float(self.wheel.pitch_mm / self.steps_per_pocket)

    @property
    def dwell_margin_deg(self) -> float:
        """What the dwell leaves when the wheel stands off by its play, twice."""
        return self.plan.dwell_deg - 2 * self.plan.play_deg

    def as_dict(self) -> dict[str, Any]:
        """The design as plain values; lengths in mm, angles in degrees, rates per second."""
        wheel, plan = self.wheel, self.plan
        return {
            "pockets": wheel.pockets,
            "pitch_radius_mm": wheel.pitch_radius_mm,
            "stages": [[self.train.driver, self.train.driven]],
            "steps_per_pocket": str(self.steps_per_pocket),
            "rounding": list(self.rounding),
            "step_mm": self.step_mm,
            "pocket_mm": wheel.pocket_mm,
            "clearance_mm": CLEARANCE_MM,
            "chord_mm": wheel.chord_mm,
            "web_mm": wheel.web_mm,
            "wheel_mm": 2 * wheel.rim_radius_mm,
            "housing_mm": self.width_mm,
            "mouth_deg": wheel.mouth_deg,
            "mouth_pockets": wheel.mouth_pockets,
            "parts_on_wheel": wheel.parts_on_it,
            "release_deg": plan.release_deg,
            "spread_deg": wheel.spread_deg,
            "dwell_deg": plan.dwell_deg,
            "dwell_margin_deg": self.dwell_margin_deg,
            "lash_deg": self.train.lash_deg,
            "drop_mm": plan.beam.drop_mm,
            "velocity_rev_s": plan.velocity_rev_s,
            "rate": self.rate,
            "limits": {name: getattr(self.limits, name) for name in LIMITS},
            "binding": self.limits.binding,
        }  # fmt: skip


LIMITS = ("motor", "refill", "separation", "lash")


def design(wheel: Wheel, train: Train, motor: Motor, beam: Beamed, wanted: float | None) -> Design:
    """Work out one combination, to run at `wanted` pockets a second or at what it allows.

    The gentlest ramp is a long one, so a motor that binds gets more time before it is given up.
    Raises UnfitError.
    """
    reasons = []
    made: list[Design] = []
    for ramp_s in RAMPS_S:
        try:
            made.append(_with_ramp(Plan(wheel, train, motor, beam, 1.0, ramp_s), wanted))
        except UnfitError as error:
            reasons.append(error)
            continue
        if made[-1].limits.binding != "motor":
            return made[-1]
    if not made:
        raise reasons[0]
    return max(made, key=lambda each: each.rate)


def _with_ramp(plan: Plan, wanted: float | None) -> Design:
    """Work out the limits of a plan whose velocity is yet to be found. Raises UnfitError."""
    per_turn = plan.wheel.pockets / float(plan.train.ratio)  # pockets a turn of the motor
    dwell, lash_deg = plan.dwell_deg, plan.train.lash_deg
    if dwell <= 0:
        raise UnfitError("parts hold nowhere at rest: too many pockets for this radius and lash")
    lash = beam_limit(plan, dwell)
    separation = beam_limit(plan, dwell + lash_deg)
    most = min(lash, wanted or RATE_MOST)
    config = converted(replace(plan, velocity_rev_s=velocity(most / per_turn)))
    motor_rate = velocity_limit_rev_s(config) * per_turn
    limits = Limits(motor_rate, refill_rate(config), separation, lash)
    rate = limits.lowest * SHARE if wanted is None else wanted
    if rate > limits.lowest or rate <= 0:
        asked = f"{wanted:g} parts/s" if wanted is not None else "any motion"
        raise UnfitError(f"{limits.binding} does not allow {asked}", limits.lowest * SHARE)
    plan = replace(
        plan,
        velocity_rev_s=velocity(rate / per_turn),
        start_stop_rev_s=min(START_STOP_REV_S, START_SHARE * start_stop_limit_rev_s(config)),
    )
    slowest = slowest_rate(plan, rate)
    if rate < slowest:
        why = "so slow a wheel may drop a part before its pocket is thought to let go"
        raise UnfitError(why, at_least=slowest)
    return Design(plan, converted(plan), limits)


def velocity(rev_s: float) -> float:
    """A speed as a description holds it, rounded down."""
    return math.floor(rev_s * 1_000) / 1_000


def converted(plan: Plan) -> ModuleConfig:
    """The plan as a module. Raises UnfitError if the firmware would refuse it."""
    try:
        return convert(plan.values(), Path("sized.toml"))
    except ConfigError as error:
        raise UnfitError(error.problems[0]) from error


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
    """The firmware's windows of a module that is not described yet, at a rate of pockets."""
    wheel, train, motor, beam = plan.wheel, plan.train, plan.motor, plan.beam
    per_turn = motor.steps_per_turn
    velocity_steps_s = max(round(rate * float(train.ratio) * per_turn / wheel.pockets), 10)
    runs = Runs.at(velocity_steps_s / per_turn, plan.ramp_s)
    part = wheel.part
    return Windows(
        SimpleNamespace(
            motor_full_steps=motor.values["full_steps_per_rev"],
            motor_microsteps=motor.values["microsteps"],
            gear_stages=((train.driver, train.driven),),
            sprocket_pockets=wheel.pockets,
            sprocket_pitch_radius_um=round(wheel.pitch_radius_mm * 1e3),
            sprocket_dwell_mdeg=max(round(dwell_deg * 1e3), 1),
            limit_velocity_steps_s=velocity_steps_s,
            limit_acceleration_steps_s2=max(round(runs.acceleration_rev_s2 * per_turn), 200),
            limit_jerk_steps_s3=max(round(runs.jerk_rev_s3 * per_turn), 4_000),
            limit_creep_steps_s=max(round(runs.creep_rev_s * per_turn), 5),
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
