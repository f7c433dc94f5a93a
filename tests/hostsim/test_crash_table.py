"""The crash table of controller/record/README.md, row by row: each names the test that backs it."""

import re
from pathlib import Path

import pytest

import controller.record
from hostsim.engine import InProcess
from hostsim.module import SimModule
from hostsim.store import PowerCut, SimStore
from tests.invariants.bench import CONFIGS, EXACT, SECOND_US, Bench

INTERRUPTED, DOUBTFUL = 3, 2
POWER_CUT, RECORD_LOST, RECORD_FAILED, STRAY_PART = 42, 43, 44, 52
LOOSE_US = 6 * SECOND_US
QUANTITY = 60  # more than two checkpoints of 25
NO_STORE_THAT_KEEPS = 4  # *TST?
STORAGE_FAULT = -320


class Case:
    """A module that is ready, has delivered ticket 1, and may lose its power anywhere."""

    def __init__(self, store=None):
        self.store = store or SimStore()
        self.engine = InProcess()
        self.module = SimModule(CONFIGS["m4_nut"], engine=self.engine, store=self.store)
        self.bench = Bench(self.module)
        self.truth = self.module.plant.truth
        self.bench.ready()
        self.before = 0
        self.sent_us = 0

    def deliver(self, ticket, quantity=3):
        """One request from opening to its result."""
        self.bench.open(ticket, quantity)
        self.module.ask("*OPC?")
        return self.bench.result(ticket)

    def open(self, ticket=2, quantity=QUANTITY):
        """Order, and note what had fallen."""
        self.before = self.truth.passed
        self.bench.open(ticket, quantity)

    def cut_in_next_write(self, done=20):
        """The next operation of the store is torn after `done` bytes."""
        self.store.cut_at = (self.store.operations, done)

    def stray(self):
        """The beam sees a part that nobody has let go."""
        now_us = self.module.now_us
        self.module.plant.edges += [(now_us - 12_000, 1), (now_us - 2_000, 0)]

    def until_cut(self, wait_us=20 * SECOND_US):
        """Go on until the power has gone."""
        with pytest.raises(PowerCut):
            self.bench.wait(wait_us)

    def back(self, off_us=LOOSE_US):
        """The power is back; everything loose has fallen. Return (cause, newest result)."""
        self.module.board.power_cycle(off_us)
        self.module.read()
        self.bench.wait(LOOSE_US)
        result = self.bench.result() if self.bench.ask("REQ:TICK?") != [0] else []
        return self.bench.ask("UNIT:CAUS?")[0], result

    @property
    def fallen(self):
        """Parts that have fallen since the request was opened."""
        return self.truth.passed - self.before

    def moves_when_asked(self, ticket, quantity=QUANTITY):
        """Whether anything is let go when the ticket is ordered again."""
        self.bench.ready()
        passed = self.truth.pockets_passed
        self.bench.open(ticket, quantity)
        self.bench.wait(2 * SECOND_US)
        return self.truth.pockets_passed != passed


def case():
    made = Case()
    made.deliver(1)
    return made


def assert_interrupted(made, cause, result, quantity=QUANTITY):
    assert cause == POWER_CUT
    assert result[:3] == [2, quantity, INTERRUPTED]
    assert result[3] <= made.fallen <= result[4]
    assert not made.moves_when_asked(2, quantity)


def test_in_the_record_that_opens_a_request():
    made = case()
    made.cut_in_next_write()
    with pytest.raises(PowerCut):
        made.open()
    cause, result = made.back()
    assert (cause, result[0], made.fallen) == (0, 1, 0)
    assert made.moves_when_asked(2)  # it is new, and is delivered now


def test_before_the_first_move():
    made = case()
    made.open()
    cause, result = made.back()
    assert made.fallen == 0
    assert_interrupted(made, cause, result)


def test_while_the_wheel_turns():
    for after_us in range(SECOND_US, 5 * SECOND_US, SECOND_US // 3):
        made = case()
        made.open()
        made.bench.wait(after_us)
        assert_interrupted(made, *made.back())


def test_power_that_is_back_at_once():
    made = case()
    made.open()
    made.bench.wait(3 * SECOND_US)
    falling = made.truth.in_air
    cause, result = made.back(off_us=0)
    assert falling
    assert made.bench.ask("STAT:QUES:COND?")[0] & 1 << 10  # a stray part
    assert_interrupted(made, cause, result)


def test_in_a_checkpoint():
    made = case()
    made.open()
    made.cut_in_next_write()
    made.until_cut()
    cause, result = made.back()
    assert made.fallen >= 20
    assert result[3] == 0  # nothing was put down since it was opened
    assert_interrupted(made, cause, result)


def test_while_it_waits_for_help():
    made = case()
    made.open()
    made.bench.wait(2 * SECOND_US)
    made.bench.act("hold")
    made.bench.wait(5 * SECOND_US)
    _, _, _, lower, upper, _, _ = made.bench.ask("REQ:PROG?")
    cause, result = made.back()
    assert result[3:5] == [lower, upper] == [made.fallen] * 2
    assert made.bench.ask("REQ:REM?") == [QUANTITY - made.fallen]
    assert_interrupted(made, cause, result)


def test_in_the_record_that_closes_it():
    made = case()
    made.open(quantity=3)
    made.cut_in_next_write()
    made.until_cut()
    cause, result = made.back()
    assert made.fallen == 3
    assert_interrupted(made, cause, result, 3)


def test_before_the_result_is_read():
    made = case()
    made.open(quantity=3)
    made.bench.wait(5 * SECOND_US)
    cause, result = made.back()
    assert (cause, result[:5]) == (0, [2, 3, EXACT, 3, 3])
    assert not made.moves_when_asked(2, 3)


def test_in_the_record_of_a_stray_part():
    made = case()
    told = made.bench.result(1)
    made.cut_in_next_write()
    made.stray()
    made.until_cut(SECOND_US)
    assert made.back() == (0, told)
    made.stray()
    made.bench.wait(SECOND_US)
    assert made.back() == (0, [1, 3, DOUBTFUL, 3, 4, *told[5:8], STRAY_PART])


def test_in_the_record_of_a_load_or_a_new_sprocket():
    made = case()
    made.module.tell("MAG:LOAD 50")
    made.cut_in_next_write()
    with pytest.raises(PowerCut):
        made.module.tell("MAG:LOAD 40")
    made.back()
    assert made.bench.ask("MAG:LEV?")[0] == 50
    made.module.tell("UNIT:MODE MAIN")
    made.cut_in_next_write()
    with pytest.raises(PowerCut):
        made.module.tell("SPR:CHAN")
    made.back()
    assert made.bench.ask("SPR:COUN?")[0] == 3


def test_in_the_record_of_what_was_learned():
    for torn in (True, False):
        made = case()
        phase = made.engine.firmware.phase
        phase.restore((phase.learned()[0], -100, 350, 9_400, 2_100))
        phase.fresh = True  # as when the last of the parts to learn from has been counted
        if torn:
            made.cut_in_next_write()
            made.until_cut()
        made.bench.wait(SECOND_US)
        made.back()
        assert made.bench.ask("SENS:WIDT?")[:3] == ([0, 0, 0] if torn else [1, 9_400, 2_100])


class CutInCompaction(SimStore):
    """When armed, the power goes in the next erase, or in the write after it."""

    def __init__(self, after_erase):
        super().__init__(2_048)
        self.after_erase = after_erase
        self.armed = False

    def erase(self, segment):
        if self.armed:
            self.cut_at = (self.operations + self.after_erase, 300)
        super().erase(segment)


@pytest.mark.parametrize("after_erase", [0, 1], ids=["erase", "snapshot"])
def test_in_a_compaction(after_erase):
    made = Case(CutInCompaction(after_erase))
    told = {ticket: made.deliver(ticket, 1) for ticket in range(1, 30)}
    made.store.armed = True
    with pytest.raises(PowerCut):
        for ticket in range(30, 60):
            made.before = made.truth.passed
            made.ticket = ticket
            told[ticket] = made.deliver(ticket, 1)
    assert made.store.erases >= 3
    made.store.armed = False
    _, result = made.back()
    for ticket in made.bench.ask("REQ:TICK?"):
        if ticket in told:
            assert made.bench.result(ticket) == told[ticket]
    if result[0] == made.ticket:
        assert result[2] == INTERRUPTED and result[3] <= made.fallen <= result[4]
    else:
        assert made.fallen == 0


def test_at_power_up():
    made = case()
    made.open()
    made.bench.wait(3 * SECOND_US)
    made.back()
    operations = made.store.operations
    for off_us in (0, 0, LOOSE_US):
        cause, result = made.back(off_us)
        assert made.store.operations == operations  # there is nothing to be torn
    assert_interrupted(made, cause, result)


def test_in_the_first_record_of_all():
    made = Case()
    made.cut_in_next_write()
    with pytest.raises(PowerCut):
        made.open(1, 3)
    assert made.back() == (RECORD_LOST, [])
    assert made.fallen == 0
    made.bench.ready()
    assert made.deliver(1, 3)[2] == EXACT
    assert made.back()[1][:3] == [1, 3, EXACT]


def test_no_store():
    made = Case(SimStore(0))
    assert made.bench.ask("*TST?") == [NO_STORE_THAT_KEEPS]
    assert made.deliver(1)[2] == EXACT
    assert made.back() == (0, [])


def test_a_store_that_does_not_keep():
    made = case()
    store = made.engine.firmware.ports.store
    made.open(quantity=40)
    made.bench.wait(SECOND_US)
    store.write = lambda segment, offset, data: None
    made.bench.wait(10 * SECOND_US)  # over the next checkpoint
    assert made.bench.ask("UNIT:CAUS?")[0] == RECORD_FAILED
    result = made.bench.result(2)
    assert result[3] == result[4] == made.fallen < 40
    assert result[8] == RECORD_FAILED
    made.bench.ready()
    made.bench.open(3, 1)
    assert made.bench.ask("SYST:ERR?")[0] == STORAGE_FAULT
    assert made.bench.ask("*TST?") == [NO_STORE_THAT_KEEPS]
    del store.write
    made.bench.ready()
    assert made.deliver(3)[2] == EXACT
    assert made.bench.ask("*TST?") == [0]


def test_a_store_that_has_decayed():
    made = case()
    for segment in made.store.segments:
        for place in range(0, 4_096, 16):
            segment[place] ^= 0x5A
    cause, result = made.back()
    assert (cause, result) == (RECORD_LOST, [])
    made.bench.ready()
    assert made.deliver(2)[2] == EXACT
    assert made.back()[1][0] == 2


def test_every_row_names_its_test():
    table = Path(controller.record.__file__).with_name("README.md").read_text()
    named = re.findall(r"`(test_\w+)`", table)
    rows = [line for line in table.splitlines() if line.startswith("| ") and "`test_" in line]
    tests = [name for name in globals() if name.startswith("test_")]
    assert len(rows) == len(named) > 10
    assert sorted(named) == sorted(set(tests) - {"test_every_row_names_its_test"})
