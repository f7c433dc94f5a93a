"""The push of a column against Janssen's law for silos, in its own words, and its limits."""

import math

import numpy as np
import pytest

from hostsim.drivetrain.column import Column, saturated_n
from hostsim.plant.column import push_n
from tests.hostsim.described import CONFIGS, described

G_M_S2 = 9.80665  # standard gravity (CGPM 1901)


@pytest.mark.parametrize("height_m", [0.05, 0.5, 5.0])
def test_janssen_in_a_round_bin(height_m):
    """p(z) = rho g D / (4 mu K) (1 - exp(-4 mu K z / D)), Janssen 1895, in texts on silos."""
    diameter_m, density, friction, share = 0.2, 1500.0, 0.4, 0.5
    area_m2 = math.pi / 4 * diameter_m**2
    end_pa = density * G_M_S2 * diameter_m / (4 * friction * share)
    pressure_pa = end_pa * (1 - math.exp(-4 * friction * share * height_m / diameter_m))
    # Area to perimeter is D / 4.
    saturation_m = diameter_m / 4 / (friction * share)
    push = saturated_n(density * G_M_S2 * area_m2, saturation_m, height_m)
    assert push == pytest.approx(pressure_pa * area_m2)


def test_it_saturates_at_one_saturation_length_of_weight():
    assert saturated_n(3.0, 0.1, 100.0) == pytest.approx(0.3)
    assert saturated_n(3.0, 0.1, 0.1) == pytest.approx(0.3 * (1 - 1 / math.e))
    # A short column, or one without walls, weighs what it weighs.
    assert saturated_n(3.0, 1e6, 0.2) == pytest.approx(0.6)
    assert saturated_n(3.0, math.inf, 0.2, 1.0) == pytest.approx(1.6)
    # What is pressed on from above gets lost on the way.
    assert saturated_n(0.0, 0.1, 0.2, 5.0) == pytest.approx(5 * math.exp(-2))


def test_the_balance_of_a_slice():
    """dF/dx = w - F / s, by the difference quotient."""
    lengths = np.linspace(0, 0.5, 5001)
    push = np.array([saturated_n(3.0, 0.08, length, 0.7) for length in lengths])
    slope = np.gradient(push, lengths)[1:-1]
    assert slope == pytest.approx(3.0 - push[1:-1] / 0.08, abs=1e-4)


def test_an_upright_column_without_friction_carries_its_whole_weight():
    column = Column.of(described(magazine={"incline_deg": 90, "side_pressure": 0}).values)
    assert column.push_n == column.wall_free_n
    # 0.8 g for each of 300 / 8.69 nuts
    assert column.push_n == pytest.approx(0.8e-3 * 9.80665 * 300 / 8.69)


def test_flatter_than_the_angle_of_friction_nothing_slides():
    angle = math.degrees(math.atan(0.25))
    for incline, slides in ((angle + 0.1, True), (angle - 0.1, False)):
        column = Column.of(described(magazine={"incline_deg": incline}).values)
        assert (column.slide_m_s2 > 0) is slides
        assert (column.push_n > 0) is slides


@pytest.mark.parametrize("name", [path.stem for path in CONFIGS])
@pytest.mark.parametrize("push", [0.0, 20.0])
@pytest.mark.parametrize("height", [20.0, 300.0])
def test_it_agrees_with_the_plant_which_adds_it_up_part_by_part(name, push, height):
    values = described(
        name, magazine={"push_n": push, "height_mm": height, "side_pressure": 0.05}
    ).values
    column = Column.of(values)
    # A whole number of parts makes the plant's column up to half a part longer or shorter.
    off = 0.5 / column.parts + 0.5 * column.pitch_m * column.walls_per_m
    there = push_n(values, column.pitch_m)
    assert there == pytest.approx(column.push_n, rel=off + 0.01)
