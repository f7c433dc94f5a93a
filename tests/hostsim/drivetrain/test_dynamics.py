"""Own swing of the rotor and heat of the winding, from first principles and plausible figures."""

import math

import pytest

from hostsim.drivetrain.drive import measure
from hostsim.drivetrain.dynamics import copper_heat_w, resonant_at, rise_k, swing_hz
from hostsim.drivetrain.load import Load
from hostsim.drivetrain.report import warnings
from tests.hostsim.described import CONFIGS, described

NEMA17_REV_S = 1 / 200  # one full step of 1.8 degrees


@pytest.mark.parametrize("name", [path.stem for path in CONFIGS])
def test_small_motors_swing_at_100_to_300_hertz(name):
    """Common practice, no source: the swing of NEMA 17 motors lies there."""
    assert 100 < swing_hz(described(name).values) < 300


def test_the_swing_is_that_of_a_pendulum_followed_in_time():
    """J x'' = -T sin(p x), let go at a small angle; the time from crest to crest."""
    values = described().values
    torque, inertia, poles = 0.4 / math.sqrt(2), Load.of(values).inertia_kg_m2, 50
    angle, speed, time_s, step_s = 0.0005, 0.0, 0.0, 1e-7
    turned = 0
    while turned < 2:
        before = speed
        speed -= torque * math.sin(poles * angle) / inertia * step_s
        angle += speed * step_s
        time_s += step_s
        turned += before * speed < 0
    assert 1 / time_s == pytest.approx(swing_hz(values), rel=1e-3)


def test_only_coarse_steps_near_the_swing_or_a_fraction_of_it_matter():
    coarse = described(motor={"microsteps": 2}).values
    swing = swing_hz(coarse)
    for part in (1, 2, 3):
        assert resonant_at(coarse, swing / part * NEMA17_REV_S) == pytest.approx(swing / part)
    assert resonant_at(coarse, 1.5 * swing * NEMA17_REV_S) is None
    assert resonant_at(coarse, 10 * NEMA17_REV_S) is None
    assert resonant_at(described().values, swing * NEMA17_REV_S) is None  # sixteenth steps


def test_the_warning_names_the_speed_and_the_way_out():
    swing = swing_hz(described().values)
    limits = {"velocity_rev_s": swing * NEMA17_REV_S, "start_stop_rev_s": 0.3, "creep_rev_s": 0.1}
    changed = described(motor={"microsteps": 4}, limits=limits)
    drive = measure(changed)
    (line,) = [line for line in warnings(changed, drive) if "swings by itself" in line]
    assert line.startswith("limits.velocity_rev_s of ")
    assert "motor.microsteps" in line


def test_heat_of_two_sines():
    """The mean of R i^2 over a cycle, both windings."""
    motor = described(motor={"current_a": 2.0, "resistance_ohm": 1.1, "duty": 0.5}).values["motor"]
    moments = [2 * math.pi * k / 1000 for k in range(1000)]
    mean = sum((2 * math.cos(t)) ** 2 + (2 * math.sin(t)) ** 2 for t in moments) / 1000 * 1.1
    assert copper_heat_w(motor) == pytest.approx(mean / 2)
    assert rise_k(motor) == pytest.approx(8 * mean / 2)
