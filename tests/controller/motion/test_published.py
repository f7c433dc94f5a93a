"""Stepper ramps as published, and what the published approximations get wrong.

[A] David Austin, "Generate stepper-motor speed profiles in real time", Embedded Systems
    Programming, December 2004: first interval c0 = f sqrt(2 / a), intervals
    c_n = c0 (sqrt(n + 1) - sqrt(n)), recurrence c_n = c_(n-1) - 2 c_(n-1) / (4 n + 1) started at
    0.676 c0.
[M] Atmel application note AVR446: the same with integer constants.
The formulas and constants are quoted in many ports of both; the ratio table of [A] is from memory
and was reproduced by calculation.
"""

import math

import pytest

from controller.motion.profile import Planner, step_ticks

TICK_HZ = 5_000_000
# A trapezoid of 1000 steps/s^2 up to 1000 steps/s: 500 steps, 1 s, all durations whole ticks.
RAMP = Planner(1000, 1000, 0).move(1000, 1)


def interval_ticks(step: int) -> int:
    """The interval before a step of RAMP."""
    return step_ticks(RAMP, step) - step_ticks(RAMP, step - 1)


def test_constant_acceleration_is_exact() -> None:
    """t = sqrt(2 k / a) on every step of the ramp."""
    for step in range(1, 501):
        exact_ticks = math.sqrt(2 * step / 1000) * TICK_HZ
        assert abs(step_ticks(RAMP, step) - exact_ticks) <= 1


def test_tabulated_ramp() -> None:
    """Seconds at a = 1000 steps/s^2, computed to 7 places."""
    table_s = (0, 0.0447214, 0.0632456, 0.0774597, 0.0894427, 0.1,
               0.1095445, 0.1183216, 0.1264911, 0.1341641, 0.1414214)  # fmt: skip
    for step, exact_s in enumerate(table_s):
        assert step_ticks(RAMP, step) / TICK_HZ == pytest.approx(exact_s, abs=1 / TICK_HZ + 5e-8)


@pytest.mark.parametrize(
    ("step", "exact"),
    [(1, 0.4142), (2, 0.7673), (3, 0.8430), (4, 0.8810), (5, 0.9041), (6, 0.9196),
     (10, 0.9511), (100, 0.9950)],
)  # fmt: skip
def test_ratio_of_intervals(step: int, exact: float) -> None:
    """[A], accuracy table, column of exact values c_n / c_(n-1)."""
    ratio = interval_ticks(step + 1) / interval_ticks(step)
    # each interval may be off by two ticks
    assert ratio == pytest.approx(exact, abs=4 / interval_ticks(step + 1) + 5e-5)


@pytest.mark.parametrize(
    ("step", "recurrence", "exact"),
    [(1, 0.405600, 0.414214), (2, 0.315467, 0.317837), (3, 0.266933, 0.267949),
     (10, 0.154286, 0.154347)],
)  # fmt: skip
def test_exact_where_the_recurrence_is_not(step: int, recurrence: float, exact: float) -> None:
    """Intervals over c0: the planner has the exact ones, not those of [A]'s recurrence."""
    first_ticks = TICK_HZ * math.sqrt(2 / 1000)
    found = interval_ticks(step + 1) / first_ticks
    assert found == pytest.approx(exact, abs=2 / first_ticks + 5e-7)
    assert abs(found - recurrence) > abs(exact - recurrence) / 2


@pytest.mark.parametrize(("rad_s2", "c0_us"), [(10, 79266.5), (50, 35449.1), (100, 25066.3)])
def test_first_interval(rad_s2: int, c0_us: float) -> None:
    """[A] c0 at f = 1 MHz for a motor of 200 steps; limits are whole steps/s^2, ours is scaled."""
    exact_steps_s2 = rad_s2 * 200 / (2 * math.pi)
    steps_s2 = round(exact_steps_s2)
    move = Planner(1000, steps_s2, 0).move(100, 1)
    scaled_us = c0_us * math.sqrt(exact_steps_s2 / steps_s2)
    assert step_ticks(move, 1) / 5 == pytest.approx(scaled_us, abs=0.25)


def test_cruise_interval() -> None:
    """[A]: at f = 1 MHz and 1.8 degrees a step, 300 rpm is an interval of 1000."""
    steps_s = 300 * 200 // 60
    assert Planner(steps_s, 10_000, 0).cruise_ticks == 1000 * 5


@pytest.mark.parametrize(
    ("accel", "speed", "min_delay", "c0", "max_s_lim"),
    [(1000, 800, 1809, 24662, 101), (2000, 1200, 1206, 17438, 114)],
)
def test_avr446_worked_moves(
    accel: int, speed: int, min_delay: int, c0: int, max_s_lim: int
) -> None:
    """[M] at 460750 Hz, 200 steps a turn, accel and speed in 0.01 rad/s^2 and 0.01 rad/s.

    Values calculated from the note's formulas.  Its integers are good to half a per cent, it rounds
    the length of the ramp down, and its c0 carries the factor 0.676 of the recurrence.
    """
    steps_per_rad = 200 / (2 * math.pi)
    velocity = round(speed / 100 * steps_per_rad)
    planner = Planner(velocity, round(accel / 100 * steps_per_rad), 0)
    scale = TICK_HZ / 460_750
    assert planner.cruise_ticks == pytest.approx(min_delay * scale, rel=0.005)
    assert planner.ramp_steps == pytest.approx(max_s_lim, abs=2)
    first_ticks = step_ticks(planner.move(1000, 1), 1)
    assert first_ticks == pytest.approx(c0 / 0.676 * scale, rel=0.005)
