"""Modules side by side on one line, and memory that outlives a process.

What the bytes mean does not matter here: SCPI is taken because one can read it.
"""

from ast import literal_eval
from contextlib import closing
from pathlib import Path

import pytest

from hostsim.board import LINE
from hostsim.config import load
from hostsim.module import SimModule
from hostsim.sharedline import SharedLine
from hostsim.store import SimStore
from hostsim.truthlog import HEADING, TruthLog, open_log
from hostsim.wires import SimWire

NUT = load(Path(__file__).parents[2] / "configs" / "m4_nut.toml")
SECOND_US = 1_000_000


def heard(module: SimModule) -> list[bytes]:
    """What the firmware has heard on its line."""
    begin = "line in "
    return [
        literal_eval(text.removeprefix(begin))
        for _, text in module.log.entries
        if text.startswith(begin)
    ]


def test_every_station_hears_every_byte_but_its_own():
    with SimModule(NUT) as first, SimModule(NUT, 2) as second:
        line = SharedLine([first, second], LINE)
        line.write(b"SYST:VERS?\n")
        line.run_until(SECOND_US)
        assert line.read() == b"1999.0\n" * 2
        for module in (first, second):  # the other one's answer, and nothing twice
            assert b"".join(heard(module)) == b"SYST:VERS?\n1999.0\n"
        assert first.now_us == second.now_us == SECOND_US


def test_time_goes_on_for_all_of_them_together():
    with SimModule(NUT) as first, SimModule(NUT, 2) as second:
        line = SharedLine([first, second], LINE)
        for until_us in (1, 2_500, 77_777):
            line.run_until(until_us)
            assert first.now_us == second.now_us == line.now_us == until_us


@pytest.mark.parametrize("faults", ["none", "split"])
def test_what_is_said_for_later_is_heard_then_whatever_happens_first(faults):
    with SimModule(NUT) as module:
        line = SharedLine([module], LINE, faults)
        line.write(b"SYST:VERS?\n", SECOND_US)
        module.plant.guard(False)  # has the firmware go round at once
        line.run_until(SECOND_US)
        line.run_until(2 * SECOND_US)
        came = [at_us for at_us, text in module.log.entries if text.startswith("line in ")]
        assert came[0] == SECOND_US
        assert b"".join(heard(module)) == b"SYST:VERS?\n"
        assert line.read() == b"1999.0\n"


def test_the_master_waits_no_longer_than_for_the_first_byte():
    with SimModule(NUT) as module:
        wire = SimWire(SharedLine([module], LINE))
        wire.write(b"SYST:VERS?\n")
        assert wire.read(10.0) == b"1999.0\n"
        assert wire.clock_s() < 0.1
        assert wire.read(0.25) == b""
        assert wire.clock_s() == pytest.approx(0.25, abs=0.1)


def test_a_late_telegram_is_heard_when_it_comes_and_not_before():
    with SimModule(NUT) as module:
        line = SharedLine([module], LINE, "late", seed=2)
        times = []
        for _ in range(20):
            asked_us = line.now_us
            line.write(b"SYST:VERS?\n")
            assert line.read_within(60 * SECOND_US) == b"1999.0\n"
            times.append(line.now_us - asked_us)
        assert line.medium.mishaps["late"] == sum(time_us > 5_000 for time_us in times) > 0


def test_a_store_in_a_file_is_there_again(tmp_path):
    path = tmp_path / "module.store"
    store = SimStore(1024, path=path)
    store.write(0, 10, b"ten")
    store.write(1, 20, b"twenty")
    store.close()
    again = SimStore(1024, path=path)
    assert again.segments == store.segments
    again.erase(0)
    again.close()
    last = SimStore(1024, path=path)
    assert last.segments == [bytearray(b"\xff" * 1024), store.segments[1]]
    last.close()
    with pytest.raises(ValueError, match="2048 bytes"):
        SimStore(2048, path=path)


def test_a_store_that_is_in_use_is_not_written_by_another(tmp_path):
    path = tmp_path / "module.store"
    with closing(SimStore(1024, path=path)) as store:
        store.write(0, 0, b"first")
        with pytest.raises(BlockingIOError) as told:
            SimStore(1024, path=path)
        assert told.value.filename == str(path)
    with closing(SimStore(1024, path=path)) as next_one:
        assert next_one.segments == store.segments


def test_the_truth_of_every_ticket_is_on_file(tmp_path):
    path = tmp_path / "truth.csv"
    for start in (1, 3):  # two powers-up
        with open_log(path) as file, SimModule(NUT, start) as module:
            TruthLog(module, file)
            module.tell("UNIT:COMM RES")
            module.ask("*OPC?")
            module.tell("UNIT:COMM STAR")
            module.ask("*OPC?")
            for ticket in (start, start + 1):
                module.tell(f"REQ:OPEN {ticket},{ticket + 4}")
                module.ask("*OPC?")
            passed = module.plant.truth.passed_us.tolist()
        rows = [row.split(",") for row in path.read_text().splitlines()]
        assert rows[0] == HEADING.split(",")
        powers = [place for place, row in enumerate(rows) if row[2] == "power"]
        latest = rows[powers[-1] :]
        assert [int(row[0]) for row in latest if row[2] == "part"] == passed
    rows = [row.split(",") for row in path.read_text().splitlines()]
    fell = [int(ticket) for _, module, what, ticket in rows[1:] if what == "part" and module == "1"]
    assert {ticket: fell.count(ticket) for ticket in set(fell)} == {1: 5, 2: 6, 3: 7, 4: 8}
