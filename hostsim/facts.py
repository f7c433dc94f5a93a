"""Facts: the numbers that follow from a module description.

Motion and windows come from the firmware's own ratio, planner and windows: this is what the module
will do.  What the firmware doesn't know (torque, how fast parts slide up) is estimated here.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from controller.counting.windows import Windows
from controller.motion.gear import PocketRatio
from controller.motion.profile import Planner, step_ticks
from controller.motion.words import TICK_HZ
from hostsim.config import ModuleConfig
from hostsim.wear import MEMORIES, Wear, wear

G_M_S2 = 9.80665
G_CM2 = 1e-7  # in kg m2
RUNS = (1, 25, 100)  # pockets: a robot's single part, a bag, a box

# Estimates for parts that slide towards the sprocket by their own weight (common practice).
SLIDE_SHARE_OF_G = 0.6  # what friction in a steep channel leaves
MOUTH_SHARE = 2 / 3  # of the pitch, while a pocket lies open to the channel
HEAD_SHARE = 2.0  # a headed part hangs in a rail, and its head is about twice its shank


@dataclass(frozen=True)
class Facts:
    """Numbers about one module; `_s` are seconds, rates are of pockets."""

    steps_per_pocket: Fraction
    reduction: Fraction
    rounding: tuple[int, ...]  # commanded steps of each pocket over one turn of the sprocket
    rounding_error_steps: float
    pitch_deg: float
    full_step_deg: float  # of the motor, seen at the sprocket
    cruise_steps_s: float
    cruise_rate: float
    motor_rev_min: float
    full_steps_s: float
    ramp_pockets: float
    runs_s: dict[int, float]  # pockets -> the run
    settled_s: dict[int, float]  # pockets -> until the last part is seen or surely missing
    separation_rate: float
    refill_rate: float
    accelerating_n_m: float
    life_h: float
    empty_s: float  # a full magazine at cruise
    notice_s: float  # from the low level to empty at cruise
    wear: dict[str, dict[int, Wear]]  # of the store: memory -> parts of each request


def measure(config: ModuleConfig) -> Facts:
    """Work out the numbers of a module."""
    s = config.settings
    ratio = PocketRatio(s.motor_full_steps, s.motor_microsteps, s.gear_stages, s.sprocket_pockets)
    planner = Planner(
        s.limit_velocity_steps_s, s.limit_acceleration_steps_s2, s.limit_jerk_steps_s3
    )
    windows = Windows(s)
    per_pocket = Fraction(ratio.num, ratio.den)
    turn_steps = s.motor_full_steps * s.motor_microsteps
    reduction = per_pocket * s.sprocket_pockets / turn_steps
    dwells = [ratio.target(k) for k in range(s.sprocket_pockets + 1)]
    cruise_steps_s = TICK_HZ / planner.cruise_ticks
    rate = cruise_steps_s / float(per_pocket)
    runs_s, settled_s = {}, {}
    for pockets in RUNS:
        move = planner.move(ratio.target(pockets), 1)
        runs_s[pockets] = move.duration_ticks() / TICK_HZ
        release_s = step_ticks(move, ratio.release(pockets)) / TICK_HZ
        settled_s[pockets] = max(runs_s[pockets], release_s + windows.late_us / 1e6)
    return Facts(
        steps_per_pocket=per_pocket,
        reduction=reduction,
        rounding=tuple(after - before for before, after in pairwise(dwells)),
        rounding_error_steps=max(
            abs(float(k * per_pocket - dwell)) for k, dwell in enumerate(dwells)
        ),
        pitch_deg=360 / s.sprocket_pockets,
        full_step_deg=360 / s.motor_full_steps / float(reduction),
        cruise_steps_s=cruise_steps_s,
        cruise_rate=rate,
        motor_rev_min=60 * cruise_steps_s / turn_steps,
        full_steps_s=cruise_steps_s / s.motor_microsteps,
        ramp_pockets=planner.ramp_steps / float(per_pocket),
        runs_s=runs_s,
        settled_s=settled_s,
        separation_rate=1e6 / windows.separation_us,
        refill_rate=MOUTH_SHARE / _slide_s(config),
        accelerating_n_m=_accelerating_n_m(config, reduction),
        life_h=s.sprocket_rated_pieces / rate / 3600,
        empty_s=s.magazine_capacity / rate,
        notice_s=s.magazine_low / rate,
        wear={
            memory.name: {parts: wear(memory, parts, s.record_checkpoint) for parts in RUNS}
            for memory in MEMORIES
        },
    )


def _slide_s(config: ModuleConfig) -> float:
    """Time for the next part to slide up: rings lie flat, headed parts hang in a rail."""
    part = config.values["part"]
    way_mm = part["longest_mm"]
    if not part["hole_mm"]:
        way_mm = min(way_mm, HEAD_SHARE * part["shortest_mm"])
    return math.sqrt(2 * way_mm / 1e3 / (SLIDE_SHARE_OF_G * G_M_S2))


def _accelerating_n_m(config: ModuleConfig, reduction: Fraction) -> float:
    """Torque at the motor for the acceleration alone, friction apart."""
    inertia_g_cm2 = (
        config.values["motor"]["rotor_inertia_g_cm2"]
        + config.values["sprocket"]["inertia_g_cm2"] / float(reduction) ** 2
    )
    rad_s2 = 2 * math.pi * config.values["limits"]["acceleration_rev_s2"]
    return float(inertia_g_cm2 * G_CM2 * rad_s2)
