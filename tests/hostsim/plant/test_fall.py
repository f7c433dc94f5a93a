"""Falling parts against the published formulas and an integrated equation of motion."""

import numpy as np
import pytest
from scipy.constants import g
from scipy.integrate import solve_ivp

from hostsim.plant.fall import PartSupply, arrival_m_s, attitudes, dark_s, fall_s
from hostsim.plant.world import World

from .rig import Description

# v = sqrt(2 g h), t = sqrt(2 h / g) (any textbook of mechanics) with standard gravity,
# worked out to the digits given: drop in mm, speed in m/s, time in ms.
FREE_FALL = [
    (10, 0.4429, 45.16),
    (20, 0.6263, 63.87),
    (30, 0.7671, 78.22),
    (50, 0.9903, 100.98),
    (100, 1.4005, 142.81),
    (200, 1.9806, 201.96),
]

# sqrt(2 (h + L) / g) - sqrt(2 h / g) for L = 2.4 mm, the height of an M3 nut (ISO 4032, m max):
# drop in mm, time in ms.
DARK = [(10, 5.1281), (20, 3.7234), (30, 3.0686), (50, 2.3951), (100, 1.7035), (200, 1.2082)]


@pytest.mark.parametrize(("drop_mm", "speed_m_s", "time_ms"), FREE_FALL)
def test_free_fall(drop_mm: int, speed_m_s: float, time_ms: float) -> None:
    assert arrival_m_s(drop_mm / 1e3) == pytest.approx(speed_m_s, abs=5e-5)
    assert 1e3 * fall_s(drop_mm / 1e3) == pytest.approx(time_ms, abs=5e-3)


@pytest.mark.parametrize(("drop_mm", "time_ms"), DARK)
def test_time_in_the_beam(drop_mm: int, time_ms: float) -> None:
    assert 1e3 * dark_s(drop_mm / 1e3, 2.4e-3) == pytest.approx(time_ms, abs=5e-5)


@pytest.mark.parametrize("start_m_s", [0.0, 0.02, 0.5])
def test_fall_with_a_start_speed(start_m_s: float) -> None:
    """Source: the equation of motion itself, integrated numerically by scipy."""
    time_s = fall_s(0.03, start_m_s)
    path = solve_ivp(lambda _, y: [y[1], g], (0, time_s), [0.0, start_m_s], rtol=1e-10)
    assert path.y[0, -1] == pytest.approx(0.03, rel=1e-6)
    assert path.y[1, -1] == pytest.approx(arrival_m_s(0.03, start_m_s), rel=1e-6)


def test_every_attitude_is_as_likely() -> None:
    """Source: for a direction uniform on the sphere the mean square of any component is 1/3."""
    world = World.of(Description(), hole_m=0.0)
    extent_m, gap_m = attitudes(world, np.random.default_rng(3).random((20_000, 3)))
    longest, shortest = world.longest_m, world.shortest_m
    assert extent_m.min() >= shortest and extent_m.max() <= longest
    # extent^2 = longest^2 c^2 + shortest^2 (1 - c^2) for a rod whose axis has the component c
    share = (np.mean(extent_m**2) - shortest**2) / (longest**2 - shortest**2)
    assert share == pytest.approx(1 / 3, abs=0.01)
    assert not gap_m.any()


def test_a_hole_shows_only_when_the_light_can_look_through() -> None:
    world = World.of(Description())
    extent_m, gap_m = attitudes(world, np.random.default_rng(3).random((20_000, 3)))
    assert 0.02 < np.mean(gap_m > 0) < 0.5
    assert np.all(gap_m <= world.hole_m - world.aperture_m)
    assert np.all(extent_m[gap_m > 0] > world.hole_m)
    # Edge-on, as a ring lying flat falls, its hole is hidden: no light without tilt to the beam.
    assert not attitudes(world, np.array([[0.0, 0.3, 0.5]]))[1].any()


def test_a_part_falls_within_the_extremes_of_its_scatter() -> None:
    world = World.of(Description())
    supply = PartSupply(world, 0.0, np.random.default_rng(1))
    fastest_us = 1e6 * fall_s(world.drop_m - world.drop_scatter_m, world.kick_m_s)
    slowest_us = 1e6 * fall_s(world.drop_m + world.drop_scatter_m)
    shortest_us = 1e6 * dark_s(
        world.drop_m + world.drop_scatter_m, world.shortest_m, world.kick_m_s
    )
    longest_us = 1e6 * dark_s(world.drop_m - world.drop_scatter_m, world.longest_m)
    parts = [supply.take() for _ in range(2000)]
    leads = [part.lead_us for part in parts]
    darks = [part.dark_us for part in parts]
    assert fastest_us - 1 <= min(leads) and max(leads) <= slowest_us + 1
    assert max(leads) - min(leads) > 0.8 * (slowest_us - fastest_us)
    assert shortest_us - 1 <= min(darks) and max(darks) <= longest_us + 1
    assert all(abs(part.scatter_pockets) <= world.release_scatter_pockets for part in parts)
    two_pulses = [part for part in parts if part.flicker]
    assert all(
        0 < opens[0] < shuts[0] < part.dark_us
        for part in two_pulses
        for opens, shuts in [part.flicker]
    )
    assert two_pulses
