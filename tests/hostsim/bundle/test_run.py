"""The folder as it is, run by real MicroPython: all of the firmware, from its compiled files.

The interpreter is a 64-bit one, where most things take twice the room of a board's.
`tests/bench/heap.py` measures in a 32-bit one, and runs 10,000 parts in both.
"""

from contextlib import closing
from pathlib import Path

import pytest

from hostsim.dispensing import dispense
from hostsim.engine import Child
from hostsim.module import SimModule
from hostsim.store import SimStore
from tests.hostsim.test_modbus_module import Cell

STORE_BYTES = 8_192  # a segment; it stands in the heap here, which a board's does not
WARM, PARTS = 100, 400  # parts
GROWTH_MAX = 600  # bytes; a result kept in a ring, an answer not yet read


@pytest.fixture
def child(folder: Path):
    """The bundle, running."""
    with closing(Child("micropython", folder, "1M")) as engine:
        yield engine


def module(nut, engine, faults="none", seed=1):
    return SimModule(nut, seed, faults, engine, store=SimStore(STORE_BYTES))


def test_it_boots_and_answers_on_the_line(nut, child):
    with module(nut, child) as served:
        assert served.ask("*IDN?").startswith("Tallywheel,nut module,")
        assert served.ask("UNIT:STAT?") == "2,STOPPED"
        assert served.ask("SYST:ERR?") == '0,"No error"'


def test_it_delivers_over_the_bus(child):
    cell = Cell(child)
    cell.start()
    assert cell.fetch(7, 5)[:5] == (7, 5, 0, 5, 5)  # ticket, quantity, exact, lower, upper


@pytest.mark.parametrize("faults", ["everyday", "harsh"])
def test_it_does_the_same_as_the_sources(nut, child, faults):
    fingerprints = []
    for engine in (child, "inprocess"):
        with module(nut, engine, faults) as dispensed:
            deliveries = list(dispense(dispensed, 25, 4))
            fingerprints.append(dispensed.log.sha256())
    assert all(delivery.truthful for delivery in deliveries)
    assert fingerprints[0] == fingerprints[1]


def test_its_heap_does_not_grow(nut, child):
    with module(nut, child) as dispensed:
        used = []
        for _ in dispense(dispensed, WARM, PARTS // WARM):
            used.append(child.memory()[0])
    assert used[-1] - used[0] <= GROWTH_MAX, used
