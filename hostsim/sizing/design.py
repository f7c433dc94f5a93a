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

The last two are in `hostsim.sizing.beam`.
"""

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

from controller.motion.gear import PocketRatio
from hostsim.config import ConfigError, ModuleConfig, convert
from hostsim.drivetrain.margin import start_stop_limit_rev_s, velocity_limit_rev_s
from hostsim.facts import refill_rate
from hostsim.sizing.beam import beam_limit, slowest_rate
from hostsim.sizing.description import RAMP_S, START_STOP_REV_S, Beamed, Plan
from hostsim.sizing.train import Motor, Train
from hostsim.sizing.wheel import CLEARANCE_MM, UnfitError, Wheel

SHARE = 0.95  # of the lowest limit that a module is run at: estimates are off by some per cent
RAMPS_S = (RAMP_S, 2 * RAMP_S, 4 * RAMP_S)
START_SHARE = 0.45  # of the fastest start without a ramp
RATE_MOST = 200.0


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
        """Of a housing around wheel, gears and motor."""
        return max(self.wheel.housing_mm, self.train.width_mm, self.plan.motor.face_mm)

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
