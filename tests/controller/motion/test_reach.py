"""Least durations against Ruckig's time-optimal ones (an independent library)."""

import pytest
from ruckig import InputParameter, Ruckig, Trajectory

from controller.motion.reach import least_us, top_speed

LIMITS = [
    (13_856, 256_000, 12_800_000),
    (8_000, 80_000, 1_600_000),
    (50_000, 1_000_000, 50_000_000),
    (7_913, 61_234, 987_654),
]


def optimal_us(steps, velocity, acceleration, jerk):
    """Return Ruckig's duration of a move from rest to rest, in us."""
    wanted = InputParameter(1)
    wanted.current_position = [0.0]
    wanted.target_position = [float(steps)]
    wanted.max_velocity = [float(velocity)]
    wanted.max_acceleration = [float(acceleration)]
    wanted.max_jerk = [float(jerk)]
    trajectory = Trajectory(1)
    Ruckig(1).calculate(wanted, trajectory)
    return trajectory.duration * 1e6


@pytest.mark.parametrize("limits", LIMITS)
@pytest.mark.parametrize("steps", [1, 2, 10, 100, 500, 1_000, 1_371, 2_743, 100_000])
def test_no_sooner_than_the_optimum_and_hardly_later(steps, limits):
    optimum_us = optimal_us(steps, *limits)
    # The top speed is taken in whole steps/s, which shows in moves that never get fast.
    top = top_speed(steps, *limits)
    assert optimum_us - 0.001 <= least_us(steps, *limits) <= optimum_us * (1 + 1 / top) + 4


def test_without_a_jerk_limit_it_is_the_triangle_and_the_trapezoid():
    # 2 sqrt(n / a): 100 steps at 40,000 steps/s^2 take 0.1 s and reach 2,000 steps/s.
    assert top_speed(100, 10_000, 40_000, 0) == 2_000
    assert least_us(100, 10_000, 40_000, 0) == 100_000
    # n / v + v / a
    assert least_us(1_000, 1_000, 10_000, 0) == 1_100_000
