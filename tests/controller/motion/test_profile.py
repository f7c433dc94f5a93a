"""The planner against Ruckig, against the mean value theorem, and at its own bounds.

Ruckig (PyPI `ruckig`) computes time-optimal, jerk-limited motion in floating point.  Its speed
limit is set to what the planner really runs at, a whole number of ticks per step; what that
rounding costs is tested apart.  Ruckig gives up on some very unequal limits; those are skipped.
"""

import math
from itertools import accumulate

import numpy as np
import pytest
import ruckig
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller.motion.profile import (
    MAX_RAMP_STEPS,
    MIN_ACCELERATION_STEPS_S2,
    MIN_JERK_STEPS_S3,
    SHORT_MOVES,
    Planner,
    creep,
    step_ticks,
)
from controller.motion.words import MAX_INTERVAL_TICKS, Move

TICK_HZ = 5_000_000
SMOOTH = (8000, 80_000, 1_600_000)
TRAPEZOID = (8000, 80_000, 0)
AWKWARD = (7913, 61_234, 987_654)
FAST = (50_000, 1_000_000, 50_000_000)


@st.composite
def limits(draw: st.DrawFn) -> tuple[int, int, int]:
    """Velocity, acceleration, jerk: drawn as a rate and two times, so that all shapes come up."""
    velocity = draw(st.integers(10, 60_000))
    acceleration = max(MIN_ACCELERATION_STEPS_S2, velocity * draw(st.integers(2, 200)))
    if draw(st.booleans()):
        return velocity, acceleration, 0
    jerk = max(MIN_JERK_STEPS_S3, acceleration * draw(st.integers(2, 2000)))
    return velocity, acceleration, jerk


def planner_for(given_limits: tuple[int, int, int]) -> Planner:
    """A planner; limits whose ramp would be too long are not of interest."""
    try:
        return Planner(*given_limits)
    except ValueError as error:
        assert str(MAX_RAMP_STEPS) in str(error)
        assume(False)
        raise


def optimum(steps: int, velocity: float, acceleration: int, jerk: int) -> ruckig.Trajectory:
    """Time-optimal motion over `steps`, rest to rest."""
    wanted = ruckig.InputParameter(1)
    wanted.current_position, wanted.target_position = [0.0], [float(steps)]
    wanted.max_velocity, wanted.max_acceleration = [float(velocity)], [float(acceleration)]
    wanted.max_jerk = [float(jerk) if jerk else math.inf]
    trajectory = ruckig.Trajectory(1)
    try:
        ruckig.Ruckig(1).calculate(wanted, trajectory)
    except ruckig.RuckigError:
        assume(False)
    return trajectory


def lateness_ticks(trajectory: ruckig.Trajectory, step: int, ticks: int) -> float:
    """How long after the optimum passes position `step` the given time is, in ticks."""
    time_s = ticks / TICK_HZ
    for _ in range(4):  # Newton on a time that is right to a few ticks
        (position,), (velocity,), _ = trajectory.at_time(time_s)
        time_s -= (position - step) / velocity
    return ticks - time_s * TICK_HZ


def rises(move: Move) -> np.ndarray:
    """Ticks of the start and of every step."""
    return np.array([0, *accumulate(t for n, ticks in move.pairs() for t in [ticks] * n)])


@settings(deadline=None, max_examples=150)
@given(limits(), st.integers(1, 2500), st.data())
def test_as_quick_as_the_optimum_and_never_quicker(
    given_limits: tuple[int, int, int], steps: int, data: st.DataObject
) -> None:
    planner = planner_for(given_limits)
    move = planner.move(steps, 1)
    best = optimum(steps, TICK_HZ / planner.cruise_ticks, *given_limits[1:])
    longer = move.duration_ticks() - best.duration * TICK_HZ
    # three durations are rounded up to ticks, one more for symmetry
    assert -0.01 <= longer <= 6
    for step in data.draw(st.sets(st.integers(1, steps), max_size=12)) - {steps}:
        late = lateness_ticks(best, step, step_ticks(move, step))
        assert -1.01 <= late <= longer + 1.01


@pytest.mark.parametrize(
    ("given_limits", "steps"),
    [(SMOOTH, 400), (SMOOTH, 750), (SMOOTH, 1200), (SMOOTH, 3501), (TRAPEZOID, 200),
     (TRAPEZOID, 800), (TRAPEZOID, 3501), (FAST, 800), (FAST, 3500), (FAST, 9601)],
)  # fmt: skip
def test_every_step_within_a_tick(given_limits: tuple[int, int, int], steps: int) -> None:
    """Here all durations are whole ticks, so the exact profile is the optimum itself."""
    move = Planner(*given_limits).move(steps, 1)
    best = optimum(steps, *given_limits)
    assert move.duration_ticks() == pytest.approx(best.duration * TICK_HZ, abs=1e-3)
    for step in range(1, steps):
        assert abs(lateness_ticks(best, step, step_ticks(move, step))) <= 1.001


# Steps per pocket: 200 x 16 x 51/17 over 7 pockets, a whole number, and a two-stage train.
@pytest.mark.parametrize(("num", "den"), [(9600, 7), (800, 1), (123_904, 45)])
@pytest.mark.parametrize("pockets", [1, 2, 5, 20, 100])
@pytest.mark.parametrize("given_limits", [SMOOTH, TRAPEZOID, AWKWARD, FAST])
def test_within_a_thousandth_of_the_optimum(
    given_limits: tuple[int, int, int], pockets: int, num: int, den: int
) -> None:
    steps = round(pockets * num / den)
    best_ticks = optimum(steps, *given_limits).duration * TICK_HZ
    assert best_ticks - 0.01 <= Planner(*given_limits).move(steps, -1).duration_ticks()
    assert Planner(*given_limits).move(steps, -1).duration_ticks() <= best_ticks * 1.001


@settings(deadline=None, max_examples=100)
@given(limits(), st.integers(1, 2500))
def test_rounding_the_speed_costs_no_more_than_its_ratio(
    given_limits: tuple[int, int, int], steps: int
) -> None:
    """Playing a motion slower by a factor keeps all its limits, so the loss is at most that."""
    planner = planner_for(given_limits)
    slower = planner.cruise_ticks * given_limits[0] / TICK_HZ
    assert 1 <= slower < 1 + given_limits[0] / TICK_HZ
    best_ticks = optimum(steps, *given_limits).duration * TICK_HZ
    assert planner.move(steps, 1).duration_ticks() <= best_ticks * slower + 6


def divided_differences(times_s: np.ndarray, spacing: int, order: int) -> tuple:
    """order! x divided differences over nodes `spacing` apart, and their sum of |weights|.

    By the mean value theorem the first are values of the derivative of that order; an error of 1 in
    every position changes them by no more than the second.
    """
    count = len(times_s) - order * spacing
    nodes = [slice(i * spacing, i * spacing + count) for i in range(order + 1)]
    values, weights = np.zeros(count), np.zeros(count)
    for i, node in enumerate(nodes):
        product = np.ones(count)
        for j, other in enumerate(nodes):
            if i != j:
                product *= times_s[node] - times_s[other]
        values += math.factorial(order) * np.arange(len(times_s))[node] / product
        weights += math.factorial(order) / np.abs(product)
    return values, weights


@settings(deadline=None, max_examples=150)
@given(limits(), st.integers(30, 4000))
def test_limits_hold_in_the_pulses_themselves(
    given_limits: tuple[int, int, int], steps: int
) -> None:
    velocity, acceleration, jerk = given_limits
    planner = planner_for(given_limits)
    times = rises(planner.move(steps, 1))
    assert len(times) == steps + 1
    # no interval, anywhere, shorter than the speed limit allows
    assert np.diff(times).min() * velocity >= TICK_HZ
    # a pulse is off by a tick at most, hence the position at its time by this much
    position_error = velocity / TICK_HZ
    # nodes wide apart make little of that error; they may lie anywhere
    spacing = max(1, min(steps, 2 * planner.ramp_steps) // 8)
    for order, limit in ((2, acceleration), (3, jerk)):
        if limit:
            found, weights = divided_differences(times / TICK_HZ, spacing, order)
            assert np.all(np.abs(found) <= limit * (1 + 1e-9) + weights * position_error)


@settings(deadline=None, max_examples=100)
@given(limits(), st.integers(1, 4))
def test_just_short_of_cruise(given_limits: tuple[int, int, int], less: int) -> None:
    """Where the two ramps all but meet, rounding may not squeeze the steps between them."""
    planner = planner_for(given_limits)
    assume(planner.ramp_steps > 2)
    gaps = np.diff(rises(planner.move(2 * planner.ramp_steps - less, 1)))
    assert gaps.min() >= planner.cruise_ticks


@settings(deadline=None, max_examples=100)
@given(limits(), st.integers(1, 3000), st.sampled_from([1, -1]))
def test_the_way_down_mirrors_the_way_up(
    given_limits: tuple[int, int, int], steps: int, direction: int
) -> None:
    move = planner_for(given_limits).move(steps, direction)
    gaps = np.diff(rises(move))
    assert len(gaps) == steps == move.steps
    assert list(gaps) == list(gaps[::-1])
    assert move.direction == direction


@settings(deadline=None, max_examples=150)
@given(
    st.integers(10, 80),
    st.integers(200, 2000),
    st.one_of(st.just(0), st.integers(4000, 40_000)),
    st.integers(1, 60),
)
def test_every_interval_can_be_said_down_to_the_least_limits(
    velocity: int, acceleration: int, jerk: int, steps: int
) -> None:
    gaps = np.diff(rises(Planner(velocity, acceleration, jerk).move(steps, 1)))
    assert len(gaps) == steps
    assert gaps.max() <= MAX_INTERVAL_TICKS


@pytest.mark.parametrize("given_limits", [(357_142, 10**8, 10**11), (14, 10**8, 10**11)])
def test_sudden_limits(given_limits: tuple[int, int, int]) -> None:
    planner = Planner(*given_limits)
    for steps in range(1, 50):
        gaps = np.diff(rises(planner.move(steps, 1)))
        assert len(gaps) == steps
        assert gaps.min() >= planner.cruise_ticks


def test_runs_share_their_ramps() -> None:
    planner = Planner(*SMOOTH)
    there, back = planner.move(2000, 1), planner.move(70_000, -1)
    assert there.head is back.head
    assert there.tail is back.tail
    assert there.amended(0).duration_ticks() == planner.move(1200, 1).duration_ticks()


def test_a_few_short_moves_are_kept() -> None:
    planner = Planner(*SMOOTH)
    kept = [planner.move(500 + i, 1) for i in range(SHORT_MOVES)]
    for move in kept:
        again = planner.move(move.steps, -1)
        assert again.head is move.head
        assert (move.direction, again.direction) == (1, -1)
    planner.move(900, 1)  # the one used longest ago gives way
    assert planner.move(501, 1).head is kept[1].head
    assert planner.move(500, 1).head is not kept[0].head
    assert list(planner.move(500, 1).head) == list(kept[0].head)


@given(st.integers(1, 10**9), st.integers(5, 357_142))
def test_creep_never_exceeds_its_rate(steps: int, rate_steps_s: int) -> None:
    ((count, ticks),) = creep(steps, 1, rate_steps_s).pairs()
    assert count == steps
    assert (ticks - 1) * rate_steps_s < TICK_HZ <= ticks * rate_steps_s
    assert ticks <= MAX_INTERVAL_TICKS
