"""What the pictures show is read off the step times: checked on motions known in closed form."""

from pathlib import Path

import numpy as np
import pytest

from hostsim.config import load
from hostsim.plots import motion, step_times_s
from hostsim.verbs.plan import plan

CONFIGS = Path(__file__).parents[2] / "configs"
TICK_S = 0.2e-6


def ticked(times_s):
    """Times as a drive makes them: whole ticks."""
    return np.round(np.concatenate(([0.0], times_s)) / TICK_S) * TICK_S


def test_constant_speed():
    times_s = ticked(np.arange(1, 2001) / 8000)
    at_s = np.linspace(0, times_s[-1], 50)
    position, speed, acceleration = motion(times_s, at_s)
    assert np.allclose(position, 8000 * at_s, atol=0.01)
    assert np.allclose(speed, 8000, rtol=1e-3)
    assert np.abs(acceleration).max() < 0.02 * 80_000


def test_constant_acceleration_from_rest():
    """Step k is made at t = sqrt(2 k / a): kinematics of constant acceleration."""
    a = 80_000
    times_s = ticked(np.sqrt(2 * np.arange(1, 401) / a))
    at_s = np.linspace(0.002, times_s[-1], 50)
    _, speed, acceleration = motion(times_s, at_s)
    assert np.allclose(speed, a * at_s, rtol=0.01)
    assert np.allclose(acceleration, a, rtol=0.03)


def test_constant_jerk_from_rest():
    """Step k is made at t = cbrt(6 k / j)."""
    jerk = 1.6e6
    times_s = ticked(np.cbrt(6 * np.arange(1, 401) / jerk))
    at_s = np.linspace(0.01, times_s[-1], 50)
    _, speed, acceleration = motion(times_s, at_s)
    assert np.allclose(speed, jerk * at_s**2 / 2, rtol=0.01, atol=5)
    assert np.allclose(acceleration, jerk * at_s, rtol=0.05, atol=0.02 * jerk * at_s[-1])


@pytest.mark.parametrize("name", ["m4_nut", "m4_washer", "m4x12_socket_screw"])
@pytest.mark.parametrize("pockets", [1, 3])
def test_a_planned_run_reaches_its_limits_and_keeps_them(name, pockets):
    settings = load(CONFIGS / f"{name}.toml").settings
    times_s = step_times_s(plan(settings, pockets))
    _, speed, acceleration = motion(times_s, np.linspace(0, times_s[-1], 400))
    top, most = settings.limit_velocity_steps_s, settings.limit_acceleration_steps_s2
    assert speed.max() == pytest.approx(top, rel=0.01) or pockets == 1
    assert speed.max() <= 1.005 * top
    assert np.abs(acceleration).max() <= 1.05 * most
    # Rest to rest: what is gained is lost again.
    assert speed[0] < 0.02 * top and speed[-1] < 0.02 * top
    assert acceleration.max() == pytest.approx(-acceleration.min(), rel=0.05)
