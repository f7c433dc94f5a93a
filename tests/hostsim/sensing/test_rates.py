"""Predicted rate limits against the plant: overlap at the beam, and pockets that stay empty."""

import math

import numpy as np
import pytest

from controller.board.ports import RUNNING
from controller.motion.profile import Planner
from hostsim.facts import measure as facts_of
from hostsim.plant.eventlog import EventLog
from hostsim.plant.fall import PartSupply
from hostsim.plant.plant import Plant
from hostsim.plant.world import World
from hostsim.sensing import measure
from hostsim.sensing.overlap import Overlap
from tests.hostsim.described import CONFIGS, described

NAMES = [path.stem for path in CONFIGS]
PARTS = 40_000
ONE_IN = 100


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("scatter_deg", [0.0, 2.0, 6.0])
def test_the_rate_at_which_one_part_in_a_hundred_overlaps(name, scatter_deg):
    config = described(name, sprocket={"scatter_deg": scatter_deg})
    supply = PartSupply(World.of(config), 0.0, np.random.default_rng(5))
    parts = [supply.take() for _ in range(PARTS)]
    lead_s = np.array([part.lead_us for part in parts]) / 1e6
    dark_s = np.array([part.dark_us for part in parts]) / 1e6
    pocket = np.arange(PARTS) + np.array([part.scatter_pockets for part in parts])

    def overlapping(rate):
        arrival_s = pocket / rate + lead_s
        return np.mean(arrival_s[1:] < arrival_s[:-1] + dark_s[:-1])

    low, high = 5.0, 400.0
    for _ in range(20):
        middle = (low + high) / 2
        low, high = (middle, high) if overlapping(middle) <= 1 / ONE_IN else (low, middle)
    assert Overlap(config.values).rate(1 / ONE_IN) == pytest.approx(low, rel=0.05)


def empty_share(config, rate):
    """Share of pockets that leave the opening empty in a long run at that rate."""
    log = EventLog()
    plant = Plant(config, 2, "none", log, magazine=2_000)
    plant.drive_enable(True)
    steps_s = round(rate * World.of(config).steps_per_pocket)
    planner = Planner(steps_s, 200_000, 0)
    plant.drive_start(planner.move(300 * steps_s // round(rate), 1))
    while plant.drive_status()[0] & RUNNING:
        plant.advance(plant.now_us + 10_000_000)
    return sum("leaves the opening empty" in text for _, text in log.entries) / 300


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"magazine": {"incline_deg": 40.0}},
        {"magazine": {"friction": 0.5, "mouth_pockets": 0.5}},
        {"magazine": {"pitch_mm": 12.0, "mouth_pockets": 0.9}},
    ],
    ids=["stated", "flat", "rough", "long"],
)
def test_the_rate_at_which_pockets_begin_to_stay_empty(name, changes):
    config = described(name, **changes)
    limit = facts_of(config).refill_rate
    assert empty_share(config, 0.95 * limit) == 0
    assert empty_share(config, 1.05 * limit) > 0
    assert empty_share(config, 1.15 * limit) > 0.5


def test_a_column_that_does_not_slide_feeds_nothing():
    assert facts_of(described(magazine={"incline_deg": 10.0})).refill_rate == 0.0


def test_the_chance_without_any_scatter_is_the_share_of_long_pulses():
    """With no errors, parts overlap whose pulse is longer than from pocket to pocket."""
    still = described(
        sprocket={"scatter_deg": 0.0}, beam={"drop_tolerance_mm": 0.0}, part={"start_mm_s": 0.0}
    )
    overlap = Overlap(still.values)
    for rate in (60.0, 90.0, 120.0):
        longer = np.mean(np.array(overlap.darks_s) > 1 / rate)
        assert overlap.probability(rate) == pytest.approx(longer, abs=1 / 64)


def test_more_scatter_and_more_rate_more_overlap():
    chances = [Overlap(described().values).probability(rate) for rate in (40, 60, 80, 100)]
    assert chances == sorted(chances)
    rates = [
        Overlap(described(sprocket={"scatter_deg": deg}).values).rate(1e-6) for deg in (1, 3, 6)
    ]
    assert rates == sorted(rates, reverse=True)
    assert math.isclose(measure(described()).overlap_rate, rates[0], rel_tol=0.05)
