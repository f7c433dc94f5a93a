"""Pull-out torque against limiting cases, a search by brute force, and the plant's winding."""

import math
from dataclasses import replace

import numpy as np
import pytest

from hostsim.drivetrain.motor import Winding, pull_out_n_m
from hostsim.plant.winding import curve
from tests.hostsim.described import described

# Midway between a sine of the supply's volts and the fundamental of a square wave, 4/pi of them.
AMPLITUDE = (1 + 4 / math.pi) / 2

MOTORS = [
    # A 42 mm, 1.8 degree motor: 0.40 N m at 1.7 A with 34 mm, 0.24 N m at 1.2 A with 28 mm body
    # (aktmotor's 42hs series); windings and supplies around what such motors have.
    {"holding_torque_n_m": 0.40, "current_a": 1.7, "resistance_ohm": 1.5, "inductance_mh": 2.8},
    {"holding_torque_n_m": 0.24, "current_a": 1.2, "resistance_ohm": 2.0, "inductance_mh": 2.5},
    {"holding_torque_n_m": 0.40, "current_a": 0.6, "resistance_ohm": 9.0, "inductance_mh": 18.0},
    {"holding_torque_n_m": 0.40, "current_a": 1.7, "supply_v": 12.0},
    {"holding_torque_n_m": 0.40, "current_a": 1.7, "supply_v": 48.0},
]


def winding(**changes):
    return Winding.of(described(motor=changes).values["motor"])


def at(motor, *rev_s):
    return motor.pull_out_n_m(np.array(rev_s, dtype=float))


def test_at_standstill_a_sine_gives_what_one_phase_does():
    """Both phases at the labelled current give the holding torque, sqrt(2) times one of them."""
    assert at(winding(holding_torque_n_m=0.4), 0) == pytest.approx([0.4 / math.sqrt(2)])


def test_far_out_the_supply_drives_against_the_inductance_alone():
    """T -> p psi V / (w L) where resistance does not matter."""
    motor = winding(resistance_ohm=0.01, inductance_mh=5.0)
    rate = 2 * math.pi * 50 * 100.0
    reached = AMPLITUDE * 24 / (rate * 5e-3)
    assert at(motor, 100) == pytest.approx([50 * motor.flux_v_s * reached], rel=1e-3)


@pytest.mark.parametrize("changes", MOTORS)
@pytest.mark.parametrize("rev_s", [1.0, 8.0, 15.0, 30.0, 60.0])
def test_no_current_within_both_bounds_gives_more(changes, rev_s):
    """The circles' rightmost common point, against half a million phasors tried."""
    motor = winding(**changes)
    span = np.linspace(-motor.current_a, motor.current_a, 751)
    current = span[None, :] + 1j * span[:, None]
    rate = 2 * math.pi * 50 * rev_s
    volts = (motor.resistance_ohm + 1j * rate * motor.inductance_h) * current
    volts += rate * motor.flux_v_s
    allowed = (np.abs(current) <= motor.current_a) & (np.abs(volts) <= AMPLITUDE * motor.supply_v)
    best = max(current.real[allowed].max(), 0.0) if allowed.any() else 0.0
    grid = 2 * motor.current_a / 750
    found = at(motor, rev_s)[0] / (50 * motor.flux_v_s)
    assert best - 1e-9 <= found <= best + 2 * grid


@pytest.mark.parametrize("changes", MOTORS)
def test_it_agrees_with_currents_followed_in_time(changes):
    """The plant's chopper against the circles: the speed with a given torque within an eighth."""
    motor = winding(**changes)
    standing = at(motor, 0)[0]
    truth = curve(
        motor.pole_pairs,
        standing,
        motor.current_a,
        motor.resistance_ohm,
        motor.inductance_h,
        motor.supply_v,
    )
    speeds = np.geomspace(1, 500, 2000)
    there, said = truth.at(speeds), motor.pull_out_n_m(speeds) / standing
    for share in (0.8, 0.6, 0.4, 0.2, 0.1):
        fastest = speeds[there >= share].max()
        assert speeds[said >= share].max() == pytest.approx(fastest, rel=0.125)


def test_more_supply_less_inductance_more_torque_at_speed():
    base = winding()
    speeds = np.linspace(1, 60, 60)
    torque = base.pull_out_n_m(speeds)
    assert np.all(np.diff(torque) <= 1e-12)
    assert np.all(replace(base, supply_v=36.0).pull_out_n_m(speeds) >= torque)
    assert np.all(replace(base, inductance_h=5e-3).pull_out_n_m(speeds) <= torque)


def test_a_label_without_winding_data_is_estimated_and_says_so():
    estimated = winding(resistance_ohm=0.0, inductance_mh=0.0)
    assert estimated.estimated and not winding().estimated
    # 42 mm motors of 1 to 2 A have 1 to 5 ohm and 1.5 to 8 mH (common practice, no source).
    assert 1 < estimated.resistance_ohm < 5
    assert 1.5e-3 < estimated.inductance_h < 8e-3


def test_measured_points_count_and_nothing_is_known_beyond_them():
    motor = described(motor={"pull_out": [[0, 0.3], [10, 0.2], [20, 0.05]]}).values["motor"]
    speeds = np.array([0.0, 5.0, 10.0, 20.0, 20.1])
    assert pull_out_n_m(motor, speeds) == pytest.approx([0.3, 0.25, 0.2, 0.05, 0.0])
