"""Power cuts: a subset of `tests.bench.power_cuts`, which tries far more of them.

What must hold after a cut is told in `tests.powercuts.day` and `tests.powercuts.records`; nothing
of it is taken from the firmware.  The truth is the plant's ledger.
"""

import pytest

from controller.record.book import Book
from hostsim.module import SimModule
from hostsim.store import SimStore
from tests.invariants.bench import CONFIGS, SECOND_US
from tests.powercuts.cutter import Life, Plan, from_name, relive
from tests.powercuts.day import Day, Setup
from tests.powercuts.records import Records

# One setup for each kind of memory; between them all checkpoints and the faults that matter most:
# what falls late, what falls twice, what stays in the chute.
SETUPS = (
    Setup("m4_nut", "none", 1, 1, 1),
    Setup("m4_washer", "harsh", 2, 256, 5),
    Setup("m4x12_socket_screw", "double", 3, 4096, 25),
    Setup("m4_nut", "cling", 4, 1, 0),
)


@pytest.mark.parametrize("setup", SETUPS, ids=lambda setup: setup.mix)
def test_a_day_survives_the_loss_of_power(setup):
    life = Life(setup, Plan(bytes_each=1, gap_us=4 * SECOND_US, seed=setup.seed))
    life.live()
    print(f"{life.cuts} cuts")
    assert not life.failures, life.failures[0]
    assert life.cuts > 50


@pytest.mark.parametrize(
    ("unit_bytes", "stride"), [(1, 29), (256, 31), (4096, 61)], ids=["fram", "page", "block"]
)
def test_what_a_cut_leaves_in_the_store_is_read_as_before_or_after(unit_bytes, stride):
    records = Records(Setup(unit_bytes=unit_bytes))
    records.cut_all(stride)
    print(f"{records.cuts} cuts")
    assert not records.failures, records.failures[0]
    assert records.cuts > 500


def test_the_day_sees_several_generations_of_each_store():
    for unit_bytes in (1, 256, 4096):
        setup = Setup(unit_bytes=unit_bytes)
        day = Day(setup, setup.store())
        day.work()
        assert day.store.erases >= 3, unit_bytes
        assert len(day.told) > 16


def test_a_name_leads_back_to_its_cut():
    for name in ("m4_nut.none.1.1.5.w12+40.o0", "m4_nut.harsh.3.256.0.t7000000.o6000000.r1+9"):
        setup, spot = from_name(name)
        assert spot.name(setup) == name
        relive(name)
    with pytest.raises(ValueError, match="does not come to"):
        relive("m4_nut.none.1.1.5.w9999+0.o0")


def test_a_cut_that_is_not_survived_is_reported_by_its_name(monkeypatch):
    """The checks can fail: a request that begins before it is put down is found out."""
    monkeypatch.setattr(Book, "open", lambda *_: True)
    monkeypatch.setattr(Book, "follow", lambda *_: None)
    life = Life(SETUPS[0], Plan(bytes_each=1, gap_us=5 * SECOND_US))
    life.live()
    assert life.failures
    with pytest.raises(AssertionError, match="begun, and not put down"):
        relive(life.failures[0].name)


def test_every_engine_remembers_the_same():
    kept = []
    for engine in ("inprocess", "cpython", "micropython"):
        store = SimStore()
        with SimModule(
            CONFIGS["m4_nut"], seed=3, faults="harsh", engine=engine, store=store
        ) as module:
            for line in ("MAG:LOAD 200", "UNIT:COMM RES", "UNIT:COMM STAR"):
                module.tell(line)
                module.run_until(module.now_us + SECOND_US)
            for line in ("REQ:OPEN 1,12", "REQ:OPEN 2,60"):
                module.tell(line)
                module.run_until(module.now_us + 5 * SECOND_US)
            module.board.power_cycle(SECOND_US)
            told = [module.ask(line) for line in ("REQ:TICK?", "REQ:RES?", "SPR:COUN?", "*TST?")]
            kept.append((store.segments, told, module.log.sha256()))
    assert kept[0] == kept[1] == kept[2]
    assert kept[0][1][0] == "2,1"
