"""Fall and pulses against tables of free fall, and against the parts of the simulated module."""

import math

import numpy as np
import pytest

from hostsim.plant.fall import PartSupply
from hostsim.plant.world import World
from hostsim.sensing import measure
from hostsim.sensing.fall import Fall, Shape, dark_s, fall_s, speed_m_s
from tests.hostsim.described import CONFIGS, described

NAMES = [path.stem for path in CONFIGS]


@pytest.mark.parametrize(
    ("drop_mm", "speed", "time_ms", "dark_ms"),
    [
        # v = sqrt(2 g h), t = sqrt(2 h / g) with g = 9.80665 m/s2 exactly, and the time in which
        # the 2.4 mm of an M3 nut's height pass (ISO 4032); computed to all digits shown.
        (10, 0.4429, 45.16, 5.1281),
        (20, 0.6263, 63.87, 3.7234),
        (30, 0.7671, 78.22, 3.0686),
        (50, 0.9903, 100.98, 2.3951),
        (100, 1.4005, 142.81, 1.7035),
        (200, 1.9806, 201.96, 1.2082),
    ],
)
def test_free_fall(drop_mm, speed, time_ms, dark_ms):
    drop_m = drop_mm / 1e3
    assert speed_m_s(drop_m) == pytest.approx(speed, abs=5e-5)
    assert 1e3 * fall_s(drop_m) == pytest.approx(time_ms, abs=5e-3)
    assert 1e3 * dark_s(drop_m, 0.0024) == pytest.approx(dark_ms, abs=5e-5)


def test_a_start_speed_by_the_law_of_the_throw():
    for start in (0.0, 0.02, 0.3):
        time_s = fall_s(0.05, start)
        assert start * time_s + 9.80665 / 2 * time_s**2 == pytest.approx(0.05)
        assert speed_m_s(0.05, start) ** 2 == pytest.approx(start**2 + 2 * 9.80665 * 0.05)
    assert fall_s(0.0) == 0.0


def test_the_shape_follows_from_two_extents():
    nut = Shape.of(described().values["part"])
    # 8.69 mm over all and 2.9 mm high, as the description says
    assert 1e3 * nut.diameter_m == pytest.approx(math.sqrt(8.69**2 - 2.9**2))
    assert list(nut.attitudes()) == ["flat", "on edge", "askew"]
    assert nut.attitudes()["askew"] == pytest.approx(8.69e-3)
    screw = Shape.of(described("m4x12_socket_screw").values["part"])
    assert list(screw.attitudes()) == ["lying", "upright", "askew"]
    assert screw.attitudes()["lying"] == pytest.approx(3.8e-3)


def test_the_extent_is_that_of_a_leaning_cylinder():
    """Against the highest and lowest of many points of its rims."""
    shape = Shape(0.003, 0.008, 0.0)
    round_ = np.linspace(0, 2 * np.pi, 2001)
    for lean_rad in (0.0, 0.4, 1.0, 1.4, np.pi / 2):
        rim = np.sin(lean_rad) * shape.diameter_m / 2 * np.cos(round_)
        ends = np.concatenate([rim + side * np.cos(lean_rad) * 0.0015 for side in (-1, 1)])
        assert shape.extent_m(math.cos(lean_rad)) == pytest.approx(np.ptp(ends), abs=1e-8)


def test_a_gap_is_what_the_light_gets_through():
    shape = Shape(0.003, 0.008, 0.004)
    assert shape.gap_s(0.02, 0.004) == shape.gap_s(0.02, 0.009) == 0.0
    # 3 mm open, passing at the speed after 24 mm
    assert shape.gap_s(0.02, 0.001) == pytest.approx(0.003 / speed_m_s(0.024), rel=1e-3)
    assert Shape(0.012, 0.004, 0.0).gap_s(0.02, 0.0) == 0.0


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "changes",
    [{}, {"beam": {"drop_tolerance_mm": 2.0}}, {"part": {"start_mm_s": 120.0}}],
    ids=["stated", "rough drop", "thrown"],
)
def test_the_parts_of_the_plant_fall_as_predicted(name, changes):
    config = described(name, **changes)
    supply = PartSupply(World.of(config), 0.0, np.random.default_rng(3))
    parts = [supply.take() for _ in range(4_000)]
    lead_s = np.array([part.lead_us for part in parts]) / 1e6
    dark_s_ = np.array([part.dark_us for part in parts]) / 1e6
    said, fall = measure(config), Fall.of(config.values)
    us = 1e-6
    assert fall.earliest_s - us <= lead_s.min() and lead_s.max() <= fall.latest_s + us
    assert fall.latest_s - fall.earliest_s < 1.35 * np.ptp(lead_s)  # and the bounds are not idle
    assert lead_s.mean() == pytest.approx(fall.mean_s, rel=0.01)
    assert lead_s.std() == pytest.approx(fall.deviation_s, rel=0.06)
    assert said.shortest_s - us <= dark_s_.min() and dark_s_.max() <= said.longest_s + us
    assert np.ptp(dark_s_) > 0.8 * (said.longest_s - said.shortest_s)
    gaps = [late - early for part in parts if part.flicker for early, late in [
        (part.flicker[0][0], part.flicker[1][0])]]  # fmt: skip
    if said.gap_s:
        assert 0 < max(gaps) / 1e6 <= said.gap_s + 1e-4
    else:
        assert not gaps
