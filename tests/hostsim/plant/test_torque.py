"""Pull-in and pull-out against Newton's law for a rotating body, with the rig's motor.

Definitions (designworldonline.com, "four torque characteristics"): pull-in torque is the largest at
which a motor starts at a rate without losing steps; pull-out torque the largest at a running rate.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hostsim.plant.steps import StepTrain, TrainReader
from hostsim.plant.torque import PullOut, PullOutCheck, coast_steps, overrun_cycles
from hostsim.plant.world import World

from .rig import TICK_HZ, Description, Move, Rig, at_rate, ramped

FLAT = World.of(Description(), torque_corner=1e9)  # torque does not fall with speed
REAL = World.of(Description())
# Heavy enough that ramps at the limit last for many full steps, with much friction.
HEAVY = World.of(Description(), torque_corner=1e9, friction_n_m=0.15, inertia_kg_m2=1e-4)


def judge(world: World, move: Move) -> PullOut | None:
    return PullOutCheck(world).of(TrainReader().read(move))


def torque_n_m(world: World) -> float:
    return world.holding_n_m * world.running_share


def greatest_acceleration_steps_s2(world: World) -> float:
    """T = J a + friction, solved for a."""
    return (torque_n_m(world) - world.friction_n_m) / world.inertia_kg_m2 / world.step_rad


def test_inertia_and_units() -> None:
    """Sprocket inertia behind a reduction of 3 counts 1/9; 1 g cm^2 is 1e-7 kg m^2."""
    assert pytest.approx((54 + 20 / 9) * 1e-7) == REAL.inertia_kg_m2
    assert pytest.approx(math.radians(1.8 / 16)) == REAL.step_rad
    assert pytest.approx(200 * 16 * 3 / 7) == REAL.steps_per_pocket


@settings(max_examples=25, deadline=None)
@given(st.floats(0.02, 0.9), st.integers(100, 3000), st.sampled_from([1, -1]))
def test_below_the_limit_it_never_pulls_out(share: float, steps: int, direction: int) -> None:
    acceleration = share * greatest_acceleration_steps_s2(FLAT)
    assert judge(FLAT, ramped(steps, 10_000, acceleration, direction)) is None


@settings(max_examples=25, deadline=None)
@given(st.floats(1.15, 3.0), st.integers(1200, 3000))
def test_beyond_the_limit_it_pulls_out_while_speeding_up(share: float, steps: int) -> None:
    acceleration = share * greatest_acceleration_steps_s2(FLAT)
    lost = judge(FLAT, ramped(steps, 60_000, acceleration))
    assert lost is not None and not lost.backwards
    assert lost.step <= steps // 2


def test_braking_has_friction_on_its_side() -> None:
    """Slowing down asks for J a - friction: what is just too much upward is fine downward."""
    fast = 1.3 * greatest_acceleration_steps_s2(HEAVY)
    slow = 0.5 * greatest_acceleration_steps_s2(HEAVY)
    up, down = ramped(4000, 20_000, slow), ramped(4000, 20_000, fast)
    assert judge(HEAVY, up) is None
    assert judge(HEAVY, down) is not None
    assert judge(HEAVY, Move(1, up.head, 1000, up.cruise_ticks, down.tail)) is None


def test_pull_in_rate() -> None:
    """A start at r full steps per second asks for J r^2 times the full-step angle."""
    full_step_rad = FLAT.step_rad * FLAT.steps_per_full_step
    torque = torque_n_m(FLAT) - FLAT.friction_n_m
    rate_full_steps_s = math.sqrt(torque / (FLAT.inertia_kg_m2 * full_step_rad))
    # A plausible motor: unloaded NEMA 17 motors start at something like 1 kHz (common practice).
    assert 700 < rate_full_steps_s < 2000
    rate = rate_full_steps_s * FLAT.steps_per_full_step
    assert judge(FLAT, at_rate(500, 0.95 * rate)) is None
    assert judge(FLAT, at_rate(500, 1.05 * rate)) == PullOut(1, False)


def test_torque_falls_with_speed() -> None:
    """Where the curve meets the friction, gently reached."""
    dragging = World.of(Description(), friction_n_m=0.2)
    left = dragging.friction_n_m / torque_n_m(dragging)
    rev_s, shares = dragging.torque_curve
    top_rev_s = float(np.interp(-left, [-share for share in shares], rev_s))
    ticks = TICK_HZ / (top_rev_s * dragging.steps_per_turn)
    # Whole ticks, so that the ramp ends at the rate of the cruise.
    slower, faster = TICK_HZ / math.ceil(1.02 * ticks), TICK_HZ / math.floor(0.98 * ticks)
    assert judge(dragging, ramped(60_000, slower, 150_000)) is None
    assert judge(dragging, ramped(60_000, faster, 150_000)) is not None


def test_a_longer_cruise_shifts_a_late_pull_out_with_it() -> None:
    hard = 4 * greatest_acceleration_steps_s2(HEAVY)
    gentle = 0.3 * greatest_acceleration_steps_s2(HEAVY)
    up, down = ramped(9000, 20_000, gentle), ramped(9000, 20_000, hard)
    reader, check = TrainReader(), PullOutCheck(HEAVY)
    trains: list[StepTrain] = [
        reader.read(Move(1, up.head, cruise, up.cruise_ticks, down.tail)) for cruise in (500, 9500)
    ]
    short, long = (check.of(train) for train in trains)
    assert short is not None and long is not None
    assert long.of(trains[1]) - short.of(trains[0]) == 9000
    assert long.of(trains[1]) > len(up.head) + 9000


def test_running_on() -> None:
    """Kinetic energy is used up by friction over the way."""
    rate = 10_000
    way_rad = coast_steps(REAL, rate) * REAL.step_rad
    energy_j = 0.5 * REAL.inertia_kg_m2 * (rate * REAL.step_rad) ** 2
    assert way_rad * REAL.friction_n_m == pytest.approx(energy_j)
    assert overrun_cycles(REAL, 1000) == 0
    assert overrun_cycles(REAL, 60_000) > 0


def test_driven_beyond_it_really_loses_whole_cycles() -> None:
    rig = Rig(friction_n_m=0.02)
    limit = greatest_acceleration_steps_s2(rig.world)
    rig.run(3, acceleration_steps_s2=0.5 * limit)
    assert rig.plant.travel_pockets == pytest.approx(3, abs=1e-3)
    rig.run(3, rate_steps_s=60_000, acceleration_steps_s2=2 * limit)
    assert rig.said("motor pulls out") and rig.said("stall input")
    missing_steps = (6 - rig.plant.travel_pockets) * rig.world.steps_per_pocket
    cycles = missing_steps / rig.world.cycle_steps
    assert cycles > 5
    # 0.5 step: commanded targets are rounded to whole steps
    assert cycles == pytest.approx(round(cycles), abs=0.5 / rig.world.cycle_steps + 1e-9)
    assert rig.plant.truth.missing == 0
