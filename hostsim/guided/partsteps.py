"""Commissioning, the parts: fall time, phase of release, pulse width, and the windows they allow.

Theory of operation
-------------------
The module tells of each counted part how long after its release edge it darkened the beam, for how
long, and how fast the motor went at the edge (`SENSe:PART?`).  Parts are ordered at the rate
found before and at a quarter of it, in turns, so that a drift spoils neither.

    delay = fall + phase / rate

The fall is the same at both rates, the phase (how far behind the nominal release edge parts are let
go) takes four times as long at the lower one: two rates tell them apart, and their scatters too.

Windows come from what was measured.  *Early and late*: the mean delay -+ so many standard
deviations that a share CONTENT of all parts lies inside with the stated confidence, if delays are
normal, at every step rate that a planned run has at a release; never narrower than what was seen.
*Shortest and longest*: pulse widths are not normal, so they are the least and the greatest seen,
with room for what was not (common practice, no source); the share of parts that lies within what
was seen holds for any distribution.  The merge gap is no matter of single parts' widths: it follows
from the hole and the fall, and stays derived.
"""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from controller.motion.gear import PocketRatio
from controller.motion.profile import Planner, step_ticks
from controller.motion.words import TICK_HZ
from hostsim.answers import MeasuredPart
from hostsim.config import ModuleConfig
from hostsim.drivetrain.column import G_M_S2
from hostsim.guided.orders import at_once, order, refill_when_waiting, supply
from hostsim.guided.procedure import Session
from hostsim.guided.record import Finding, failed, passed
from hostsim.guided.statistics import (
    CONFIDENCE,
    Estimate,
    content_of_range,
    tell_apart,
    tolerance_factor,
)
from hostsim.guided.wheelsteps import steps_per_turn

SLOW_SHARE = 0.25  # of the rate found: far enough from it that the phase shows, and no creep yet
ROUNDS = 3  # fast and slow in turns
CRUISE_WITHIN = 0.01  # of the fastest seen: a part let go at cruise
PARTS_LEAST = 30  # of each rate; fewer teach nothing
PLACE_STEPS = 1.0  # the firmware knows to a step where the wheel stands; no mean gets that out
G_MM_MS2 = G_M_S2 / 1e3
CONTENT = 0.9999  # share of parts that the early and late limits are to hold
WIDER_SHARE = 0.15  # of the widths seen, beyond the longest, for those not seen
# A part that falls beside the middle of the channel shows the beam a chord, at least two thirds of
# its extent (common practice, as in the derived windows).
SURE_SHARE = 2 / 3
EARLY_LEAST_MS = 0.1  # 0 in a description stands for: derived


def two_rates(session: Session) -> Finding:
    """How long do parts fall, and where are they let go?"""
    wanted = int(session.options["parts"])
    top = found_share(session)
    groups: dict[float, list[MeasuredPart]] = {top: [], SLOW_SHARE * top: []}
    chunk = at_once(session, math.ceil(wanted / ROUNDS))
    for _ in range(math.ceil(wanted / chunk)):
        for share, parts in groups.items():
            supply(session, chunk)
            session.client.set_rate(share)
            order(session, chunk, refill_when_waiting(session), parts)
    session.client.set_rate(1.0)
    fast, slow = (_at_cruise(parts) for parts in groups.values())
    if min(len(fast), len(slow)) < PARTS_LEAST:
        return failed(
            f"only {len(fast)} and {len(slow)} parts were let go at the two rates",
            "The module must know its position and parts must feed: register it, fill the"
            " magazine; then go on.",
        )
    found = tell_apart(
        [part.delay_us for part in fast],
        float(np.mean([part.rate_steps_s for part in fast])),
        [part.delay_us for part in slow],
        float(np.mean([part.rate_steps_s for part in slow])),
    )
    values: dict[str, Any] = {
        "fast_us": [part.delay_us for part in fast],
        "slow_us": [part.delay_us for part in slow],
        "fast_steps_s": float(np.mean([part.rate_steps_s for part in fast])),
        "slow_steps_s": float(np.mean([part.rate_steps_s for part in slow])),
        "widths_us": [part.width_us for parts in groups.values() for part in parts],
        "steps_per_turn": float(steps_per_turn(session)),
        "fall_us": _limits(found.fall),
        "fall_scatter_us": _limits(found.fall_scatter),
        "phase_steps": _limits(found.phase, PLACE_STEPS),
        "phase_scatter_steps": _limits(found.phase_scatter),
        "drop_mm": [_drop_mm(at / 1e3) for at in _limits(found.fall)],
    }
    fall = f"{found.fall.value / 1e3:.2f} ms (+-{found.fall.half / 1e3:.2f})"
    phase = f"{found.phase.value:+.1f} steps (+-{found.phase.half + PLACE_STEPS:.1f})"
    return passed(f"fall {fall}; let go {phase} from the nominal edge", **values)


def widths(session: Session) -> Finding:
    """How long does a part darken the beam?"""
    seen = session.record.value("two rates", "widths_us")
    low, high = min(seen), max(seen)
    share = content_of_range(len(seen))
    said = (
        f"{low / 1e3:.2f} to {high / 1e3:.2f} ms in {len(seen)} parts: at least"
        f" {100 * share:.1f} % of all parts are within"
    )
    return passed(
        said,
        low_us=low,
        high_us=high,
        count=len(seen),
        content=share,
        mean_us=float(np.mean(seen)),
        scatter_us=float(np.std(seen, ddof=1)),
    )


def windows(session: Session) -> Finding:
    """Which windows do the measurements allow?"""
    config = session.config
    assert config is not None
    value = session.record.value
    moved = value("two rates", "phase_steps")[0]
    early_ms, late_ms = _early_and_late_ms(config, session, moved)
    low_us, high_us = value("widths", "low_us"), value("widths", "high_us")
    bounce_us = config.settings.beam_bounce_us
    # What counts is the longest dark stretch: beside a hole it is one wall of the part.
    least_us = min(low_us, _wall_us(config, value("two rates", "fall_us")))
    shortest_us = SURE_SHARE * least_us - bounce_us
    longest_us = high_us + WIDER_SHARE * (high_us - low_us) + bounce_us
    if shortest_us <= bounce_us:
        return failed(
            f"pulses of {low_us / 1e3:.2f} ms can't be told from chatter of {bounce_us / 1e3:.2f}",
            "Use a sensor that chatters less (beam.bounce_ms), or a longer drop; then begin anew.",
        )
    found = {
        "early_ms": _down(early_ms, 1),
        "late_ms": _up(late_ms, 1),
        "shortest_ms": _down(shortest_us / 1e3, 2),
        "longest_ms": _up(longest_us / 1e3, 1),
        "moved_steps": moved,
        "content": CONTENT,
        "content_of_range": content_of_range(len(value("two rates", "fast_us"))),
    }
    said = (
        f"pulses begin {found['early_ms']:g} to {found['late_ms']:g} ms after release for"
        f" {100 * CONTENT:g} % of parts with {100 * CONFIDENCE:g} % confidence, and last"
        f" {found['shortest_ms']:g} to {found['longest_ms']:g} ms"
    )
    return passed(said, **found)


def _early_and_late_ms(config: ModuleConfig, session: Session, moved: float) -> tuple[float, float]:
    """Delays that hold CONTENT of the parts, over all rates at which planned runs release.

    Counted from the release edge as it will be, `moved` steps on: a pocket index is put right by
    `sprocket.release_deg`; without one the mean phase is that of the part that has told the place,
    and another the next time.
    """
    value = session.record.value
    fast, slow = value("two rates", "fast_us"), value("two rates", "slow_us")
    rates = value("two rates", "fast_steps_s"), value("two rates", "slow_steps_s")
    fall = value("two rates", "fall_us")[0]
    phase = value("two rates", "phase_steps")[0]
    fast_var, slow_var = np.var(fast, ddof=1), np.var(slow, ddof=1)
    phase_var = max(0.0, (slow_var - fast_var) / (1 / rates[1] ** 2 - 1 / rates[0] ** 2))
    if not config.settings.sprocket_index:
        # The place is told by a part that fell: its own scatter comes on top of every other's.
        fast_var, phase_var = 2 * fast_var, 2 * phase_var
    factor = tolerance_factor(min(len(fast), len(slow)), CONTENT)
    limits = []
    for rate in release_rates(config, found_share(session)):
        middle = fall + (phase - moved) / rate * 1e6
        var = fast_var + phase_var * max(0.0, 1 / rate**2 - 1 / rates[0] ** 2)
        off = factor * math.sqrt(var)
        limits += [middle - off, middle + off]
    limits += [delay - moved / rates[0] * 1e6 for delay in (min(fast), max(fast))]
    return max(EARLY_LEAST_MS, min(limits) / 1e3), max(limits) / 1e3


def found_share(session: Session) -> float:
    """The share of the velocity limit that the rate search has found."""
    return float(session.record.value("rate", "share") or 1.0)


def release_rates(config: ModuleConfig, share: float) -> tuple[float, float]:
    """The least and the highest step rate at which planned runs pass a release edge, at that share
    of the velocity limit: in the middle of a run over one pocket, or at cruise."""
    s = config.settings
    ratio = PocketRatio(s.motor_full_steps, s.motor_microsteps, s.gear_stages, s.sprocket_pockets)
    velocity = round(share * s.limit_velocity_steps_s)
    planner = Planner(velocity, s.limit_acceleration_steps_s2, s.limit_jerk_steps_s3)
    span = max(1, ratio.target(1) // 100)
    edge = ratio.release(1)
    slowest = min(
        2 * span * TICK_HZ / (step_ticks(move, edge + span) - step_ticks(move, edge - span))
        for move in (planner.move(ratio.target(pockets), 1) for pockets in (1, 2))
    )
    return slowest, TICK_HZ / planner.cruise_ticks


def _wall_us(config: ModuleConfig, fall_us: Sequence[float]) -> float:
    """How long the wall beside a hole darkens the beam, from the speed after the measured fall."""
    part = config.values["part"]
    wall_mm = (part["longest_mm"] - part["hole_mm"]) / 2
    return 1e3 * wall_mm / (G_MM_MS2 * fall_us[0] / 1e3)


def _at_cruise(parts: Sequence[MeasuredPart]) -> list[MeasuredPart]:
    fastest = max((part.rate_steps_s for part in parts), default=0)
    return [part for part in parts if part.rate_steps_s >= fastest * (1 - CRUISE_WITHIN)]


def _drop_mm(fall_ms: float) -> float:
    """The drop over which a part let go at rest falls for so long."""
    return G_MM_MS2 * fall_ms**2 / 2


def _limits(estimate: Estimate, wider: float = 0.0) -> list[float]:
    return [estimate.value, estimate.low - wider, estimate.high + wider]


def _down(value: float, digits: int) -> float:
    return math.floor(value * 10**digits) / 10**digits


def _up(value: float, digits: int) -> float:
    return math.ceil(value * 10**digits) / 10**digits
