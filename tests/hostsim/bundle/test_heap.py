"""What the firmware of a bundle takes of a small board's heap, in a 32-bit MicroPython.

`python -m tests.bench.heap` prints every room's share, and runs 10,000 parts.
"""

from contextlib import closing

import pytest

from hostsim.dispensing import dispense
from hostsim.module import SimModule
from hostsim.store import SimStore
from tests.wasm32 import Wasm32, shares

KB = 1_024
# An RP2040 has some 240 KB free at boot (MicroPython 1.28); ports and garbage want a part of that.
ROMFS_MAX, FILES_MAX = 150 * KB, 210 * KB
GARBAGE_MAX = 2 * KB  # a part, with all that is said on the line about it
GROWTH_MAX = 1 * KB  # in 200 parts: the ring of events fills up
STORE_BYTES = 1_024
REQUESTS, QUANTITY = 3, 100


@pytest.mark.parametrize(("romfs", "most"), [(True, ROMFS_MAX), (False, FILES_MAX)])
def test_in_use_after_boot(folder, romfs, most):
    assert sum(shares(folder, romfs).values()) <= most


def test_in_use_and_garbage_while_it_dispenses(nut, folder):
    used = []
    with (
        closing(Wasm32(folder, romfs=True)) as engine,
        SimModule(nut, 1, "everyday", engine, store=SimStore(STORE_BYTES)) as module,
    ):
        for delivery in dispense(module, QUANTITY, REQUESTS):
            assert delivery.exact
            used.append(engine.memory())
        fingerprint = module.log.sha256()
    assert used[-1][0] - used[0][0] <= GROWTH_MAX, used
    assert used[-1][1] <= GARBAGE_MAX * REQUESTS * QUANTITY, used
    with SimModule(nut, 1, "everyday", store=SimStore(STORE_BYTES)) as module:
        assert all(delivery.exact for delivery in dispense(module, QUANTITY, REQUESTS))
        assert module.log.sha256() == fingerprint  # integers of 31 bits do as well
