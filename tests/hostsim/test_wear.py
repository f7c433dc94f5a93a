"""Wear of the store: the figures of `check` against what a simulated module really does."""

from dataclasses import replace

import pytest

from controller.settings import Settings
from hostsim.module import SimModule
from hostsim.store import SimStore
from hostsim.wear import HOURS_A_YEAR, MEMORIES, REQUESTS_H, SEGMENT_BYTES, wear, writes_of
from tests.invariants.bench import CONFIGS, Bench, fill

BY_NAME = {memory.name: memory for memory in MEMORIES}


def counted(memory, parts, checkpoint, requests):
    """(writes, blocks erased) of a request on average, once the first generations are over."""
    config = CONFIGS["m4_nut"]
    values = {**config.settings.as_dict(), "record_checkpoint": checkpoint}
    store = SimStore(SEGMENT_BYTES, memory.unit_bytes)
    with SimModule(replace(config, settings=Settings(values)), store=store) as module:
        bench = Bench(module)
        bench.ready()
        began = None
        for ticket in range(1, requests + 1):
            fill(module.plant)
            bench.open(ticket, parts)
            assert module.ask("*OPC?") == "1"
            if ticket == 20:  # the sixteen results that a snapshot holds are there
                began = store.writes, store.erases
        assert module.ask("SENS:PHAS?").startswith("1,")  # has been put down, once
        writes, erases = store.writes - began[0] - 1, store.erases - began[1]
        blocks = SEGMENT_BYTES // memory.block_bytes
        return writes / (requests - 20), erases * blocks / (requests - 20)


@pytest.mark.parametrize(
    ("name", "parts", "checkpoint", "requests"),
    [
        ("flash by blocks", 25, 25, 340),  # forty generations
        ("flash by blocks", 4, 1, 190),
        ("flash by pages", 5, 1, 440),  # ten generations
    ],
)
def test_a_request_writes_and_erases_what_check_says(name, parts, checkpoint, requests):
    memory = BY_NAME[name]
    stated = wear(memory, parts, checkpoint)
    writes, erases = counted(memory, parts, checkpoint, requests)
    assert writes == stated.writes
    # Whole generations only are counted, so the mean is off by less than one of them.
    a_generation = SEGMENT_BYTES / memory.block_bytes / (requests - 20)
    assert abs(erases - stated.erases) <= a_generation


def test_a_bag_costs_flash_no_more_than_two_block_erases():
    for name in ("flash by pages", "flash by blocks"):
        assert wear(BY_NAME[name], 25, 25).erases <= 2


def test_records_of_a_request_by_hand():
    # One to open, one to close, and one between two stages of so many parts.
    assert writes_of(25, 25) == writes_of(1, 25) == writes_of(100, 0) == 2
    assert writes_of(26, 25) == 3
    assert writes_of(100, 25) == 5
    assert writes_of(100, 1) == 101


def test_years_by_hand():
    # Sixteen blocks of a segment hold sixteen records, eight bags; each block stands 100,000
    # erasures, one in two segments' worth: 1.6 million bags, at one a minute 26,667 hours.
    years = wear(BY_NAME["flash by blocks"], 25, 25).years
    assert years == pytest.approx(1.6e6 / REQUESTS_H / HOURS_A_YEAR)
