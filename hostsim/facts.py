"""Facts: the numbers that follow from a module description.

Motion and windows come from the firmware's own ratio, planner and windows: this is what the module
will do.  How fast parts slide up, which the firmware doesn't know, is estimated here; torque is the
business of `hostsim.drivetrain`.
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
from hostsim.drivetrain.column import Column
from hostsim.wear import MEMORIES, Wear, wear

RUNS = (1, 25, 100)  # pockets: a robot's single part, a bag, a box

SLOWEST_FEED = 1.05  # times the mean: parts differ (common practice, no source)


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
    refill_rate: float  # 0.0: the column does not slide by itself
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
        refill_rate=refill_rate(config),
        life_h=s.sprocket_rated_pieces / rate / 3600,
        empty_s=s.magazine_capacity / rate,
        notice_s=s.magazine_low / rate,
        wear={
            memory.name: {parts: wear(memory, parts, s.record_checkpoint) for parts in RUNS}
            for memory in MEMORIES
        },
    )


def refill_rate(config: ModuleConfig) -> float:
    """Rate up to which every pocket stays under the mouth until the next part has slid in."""
    column = Column.of(config.values)
    if column.slide_m_s2 <= 0:
        return 0.0
    slide_s = math.sqrt(2 * column.pitch_m / column.slide_m_s2)
    return float(config.values["magazine"]["mouth_pockets"] / (SLOWEST_FEED * slide_s))
