"""The firmware's windows against the parts of the simulated module, which has its own formulas."""

from pathlib import Path

import numpy as np
import pytest

from controller.counting.pulses import PulseReader
from controller.counting.windows import Windows
from hostsim.config import load
from hostsim.plant.fall import PartSupply
from hostsim.plant.world import World

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
PARTS = 3_000
GOOD = 0


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_every_part_falls_inside_its_window_and_makes_one_good_pulse(path):
    config = load(path)
    windows = Windows(config.settings)
    supply = PartSupply(World.of(config), bounce=0.5, rng=np.random.default_rng(7))
    reader = PulseReader(windows)
    dark_us = []
    for number in range(PARTS):
        part = supply.take()
        assert windows.earliest_us <= part.lead_us <= windows.latest_us
        start_us = number * windows.separation_us + part.lead_us
        for time_us, blocked in edges(part):
            reader.feed(start_us + time_us, blocked)
        reader.poll(start_us + part.dark_us + windows.merge_us + 2 * config.settings.beam_bounce_us)
        (pulse,) = reader.take()
        assert pulse[3] == GOOD
        dark_us.append(pulse[2])
    # The limits leave room, and not so much that they would let anything pass.
    assert windows.shortest_us < min(dark_us) < 3 * windows.shortest_us
    assert windows.longest_us / 2 < max(dark_us) < windows.longest_us


def edges(part):
    """Return the beam's edges for one part, from the times at which it takes and gives light."""
    taken = 0
    made = []
    for time_us, change in sorted([(0, 1), (part.dark_us, -1), *part.flicker]):
        before, taken = taken, taken + change
        if (before > 0) != (taken > 0):
            made.append((time_us, int(taken > 0)))
    return made
