"""Requests on a whole board: what must hold while the world interferes with its pins."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from controller.board.ports import RUNNING
from controller.board.rp2.pins import Pins
from controller.cycle import causes
from controller.cycle.verdict import DOUBTFUL, EXACT, INTERRUPTED
from hostsim.config import convert, load
from tests.controller.board.rp2.plantchip import Host, WholeBoard

READY = "MAG:LOAD 200;:UNIT:COMM RES;*WAI;COMM STAR;*WAI;STAT?"
NUT = load("configs/m4_nut.toml")

# A new folder for each example is not needed: every board writes its settings anew.
ONE_FOLDER = settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


def result_of(line: str) -> tuple[int, int, int, int, int]:
    """(ticket, quantity, outcome, lower, upper) of an answer of REQuest:RESult?."""
    ticket, quantity, outcome, lower, upper = map(int, line.split(",")[:5])
    return ticket, quantity, outcome, lower, upper


@pytest.mark.parametrize("name", ["m4_nut", "m4_washer", "m4x12_socket_screw"])
def test_25_parts_are_dispensed_exactly(name: str, tmp_path: Path) -> None:
    board = WholeBoard(load(f"configs/{name}.toml"), tmp_path)
    said = []

    def host(board: WholeBoard) -> Host:
        said.append((yield from board.ask("*IDN?")))
        said.append((yield from board.ask(READY)))
        said.append((yield from board.ask("REQ:OPEN 1,25;*OPC?;:REQ:RES?")))

    assert board.start(host) == "done"
    assert said[0].startswith("Tallywheel,") and said[0].endswith(",E6614104032B712A,0.1.0")
    assert said[1] == "6,EXECUTE"
    assert said[2].startswith("1;1,25,0,25,25,")
    assert board.plant.truth.passed == 25


def test_everyday_faults_are_lived_with(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path, "everyday", seed=3)

    def host(board: WholeBoard) -> Host:
        yield from board.ask(READY)
        for ticket in (1, 2, 3):
            before = board.plant.truth.passed
            line = yield from board.ask(f"REQ:OPEN {ticket},20;*OPC?;:REQ:RES?")
            _, _, outcome, lower, upper = result_of(line.partition(";")[2])
            assert lower <= board.plant.truth.passed - before <= upper
            assert outcome != EXACT or board.plant.truth.passed - before == 20

    assert board.start(host) == "done"


@ONE_FOLDER
@given(after_us=st.integers(0, 2_500_000), shut_after_us=st.sampled_from([3, 700, 400_000]))
def test_an_open_guard_stops_everything_at_once_and_nothing_starts_by_itself(
    after_us: int, shut_after_us: int, tmp_path: Path
) -> None:
    board = WholeBoard(NUT, tmp_path)
    pulses = []

    def opened() -> None:
        board.plant.guard(False)
        pulses.append(board.plant.drive_status()[1])

    def host(board: WholeBoard) -> Host:
        yield from board.ask(READY)
        yield from board.ask("REQ:OPEN 1,25;:REQ:PROG?")
        board.chip.at(board.chip.now_us + after_us, opened)
        board.chip.at(board.chip.now_us + after_us + shut_after_us, lambda: board.plant.guard(True))
        yield from board.wait(after_us / 1e6 + 0.5)
        moved = board.plant.drive_status()
        assert moved == (moved[0] & ~RUNNING, pulses[0])
        assert not board.chip.output("enable")
        yield from board.wait(3)  # what has fallen is counted
        assert (yield from board.ask("UNIT:STAT?;CAUS?")).startswith(
            f"9,ABORTED;{causes.GUARD_OPEN},"
        )
        line = yield from board.ask("REQ:RES?")
        ticket, _, outcome, lower, upper = result_of(line)
        assert ticket == 1 and lower <= board.plant.truth.passed <= upper
        assert outcome in (EXACT, INTERRUPTED)
        assert board.plant.drive_status()[1] == pulses[0]
        again = "UNIT:COMM CLE;*WAI;COMM RES;*WAI;COMM STAR;*WAI;STAT?"
        assert (yield from board.ask(again)) == "6,EXECUTE"
        line = yield from board.ask("REQ:OPEN 2,5;*OPC?;:REQ:RES?")
        assert result_of(line.partition(";")[2])[2] == EXACT

    assert board.start(host) == "done"


def test_edges_beyond_the_ring_make_the_request_doubtful(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)
    pin = Pins().gpio("beam")

    def storm() -> None:  # within one call of the main loop
        for _ in range(200):
            board.chip.drive(pin, 0)
            board.chip.drive(pin, 1)

    def host(board: WholeBoard) -> Host:
        yield from board.ask(READY)
        yield from board.ask("REQ:OPEN 1,25;:REQ:PROG?")
        yield from board.wait(1.0)
        board.chip.at(board.chip.now_us + 1, storm)
        line = yield from board.ask("*OPC?;:REQ:RES?")
        assert result_of(line.partition(";")[2])[2] == DOUBTFUL
        assert int(line.split(",")[-1]) == causes.EDGES_LOST

    assert board.start(host) == "done"


@settings(ONE_FOLDER, max_examples=25)
@example(after_us=85_294)  # beside a release edge
@given(after_us=st.one_of(st.integers(0, 120_000), st.integers(0, 3_200_000)))
def test_a_request_cut_by_the_power_is_known_afterwards_with_its_bounds(
    after_us: int, tmp_path: Path
) -> None:
    board = WholeBoard(NUT, tmp_path)

    def cut(board: WholeBoard) -> Host:
        yield from board.ask(READY)
        board.chip.at(board.chip.now_us + after_us, board.pull_the_plug)
        yield from board.ask("REQ:OPEN 7,25;:REQ:PROG?")
        yield from board.wait(10)

    def look(board: WholeBoard) -> Host:
        yield from board.wait(1)  # what was on its way has fallen
        passed = board.plant.truth.passed
        known = (yield from board.ask("REQ:TICK?")) == "7"
        if known:
            line = yield from board.ask("REQ:RES? 7")
            ticket, quantity, outcome, lower, upper = result_of(line)
            assert (ticket, quantity) == (7, 25)
            assert outcome in (INTERRUPTED, EXACT)
            assert lower <= passed <= upper
        else:  # it was never acknowledged, and has not begun
            assert passed == 0
        yield from board.ask("UNIT:COMM RES;*WAI;COMM STAR;*WAI;STAT?")
        yield from board.wait(1)
        # A rotor that was left between two full steps is drawn to one of them, maybe over an edge.
        drawn = board.plant.truth.passed - passed
        assert drawn <= (1 if known else 0)
        again = yield from board.ask("REQ:OPEN 7,25;*OPC?;:REQ:RES? 7")
        if known:  # the ticket is not delivered again, and what was drawn out is not lost
            ticket, quantity, said, lower, upper = result_of(again.partition(";")[2])
            assert (ticket, quantity) == (7, 25)
            assert said == (DOUBTFUL if drawn and outcome == EXACT else outcome)
            assert lower <= passed + drawn <= upper
            assert board.plant.truth.passed == passed + drawn
        else:
            assert board.plant.truth.passed == 25

    assert board.start(cut) == "done"
    assert board.start(look) == "done"


@settings(ONE_FOLDER, max_examples=10)
@given(after_us=st.integers(0, 2_500_000), hangs=st.booleans())
def test_whatever_ends_the_program_leaves_the_drive_off_and_the_count_bounded(
    after_us: int, hangs: bool, tmp_path: Path
) -> None:
    board = WholeBoard(NUT, tmp_path)

    def end() -> None:
        if not hangs:
            raise MemoryError
        board.chip.advance(board.chip.now_us + 60_000_000)  # the watchdog comes first

    def run_into_it(board: WholeBoard) -> Host:
        yield from board.ask(READY)
        board.chip.at(board.chip.now_us + after_us, end)
        yield from board.ask("REQ:OPEN 1,25;:REQ:PROG?")
        yield from board.wait(20)

    def look(board: WholeBoard) -> Host:
        yield from board.wait(1)
        assert not board.chip.output("enable")
        assert not board.plant.drive_status()[0] & RUNNING
        state = yield from board.ask("UNIT:STAT?;CAUS?")
        assert state.startswith(f"9,ABORTED;{causes.INTERNAL_FAULT},")
        if (yield from board.ask("REQ:TICK?")) == "1":
            lower, upper = result_of((yield from board.ask("REQ:RES?")))[3:]
            assert lower <= board.plant.truth.passed <= upper

    assert board.start(run_into_it) == "reset"
    assert board.start(look, reset=True) == "done"
    for name in ("fault.new", "fault.txt"):
        (tmp_path / name).unlink(missing_ok=True)


@settings(ONE_FOLDER, max_examples=8)
@given(after_us=st.integers(1_000_000, 5_000_000))
def test_bounds_allow_for_a_drive_that_ran_on_while_the_main_loop_hung(
    after_us: int, tmp_path: Path
) -> None:
    # Checkpoints as close as they can be: the last one says little of what was still to come.
    board = WholeBoard(convert(NUT.values | {"record": {"checkpoint": 2}}, NUT.path), tmp_path)

    def hang() -> None:
        board.chip.advance(board.chip.now_us + 60_000_000)

    def run_into_it(board: WholeBoard) -> Host:
        yield from board.ask(READY)
        yield from board.ask("REQ:OPEN 1,100;:REQ:PROG?")
        board.chip.at(board.chip.now_us + after_us, hang)
        yield from board.wait(20)

    def look(board: WholeBoard) -> Host:
        yield from board.wait(1)
        lower, upper = result_of((yield from board.ask("REQ:RES?")))[3:]
        assert lower <= board.plant.truth.passed <= upper

    assert board.start(run_into_it) == "reset"
    assert board.start(look, reset=True) == "done"
    assert board.start(look) == "done"  # and after the power was off, too
    for name in ("fault.new", "fault.txt"):
        (tmp_path / name).unlink(missing_ok=True)


def test_flash_memory_serves_a_module_without_checkpoints(tmp_path: Path) -> None:
    written = NUT.values | {
        "board": {"store": "flash"},
        "record": {"checkpoint": 0},
    }
    board = WholeBoard(convert(written, NUT.path), tmp_path)

    def first(board: WholeBoard) -> Host:
        yield from board.ask(READY)
        for ticket in range(1, 12):  # more than one segment holds
            line = yield from board.ask(f"REQ:OPEN {ticket},3;*OPC?;:REQ:RES?")
            assert result_of(line.partition(";")[2])[2] == EXACT

    def then(board: WholeBoard) -> Host:
        assert (yield from board.ask("REQ:TICK?")).startswith("11,10,9")

    assert board.start(first) == "done"
    assert board.start(then) == "done"
    assert (tmp_path / "journal.0").exists() and (tmp_path / "journal.1").exists()


def test_a_board_whose_fram_does_not_answer_says_so_and_works(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)

    def host(board: WholeBoard) -> Host:
        assert (yield from board.ask("*TST?")) == "4"
        yield from board.ask(READY)
        line = yield from board.ask("REQ:OPEN 1,5;*OPC?;:REQ:RES?")
        assert result_of(line.partition(";")[2])[2] == EXACT

    board.fram_answers = False
    assert board.start(host) == "done"


def test_four_wires_are_enough_for_a_robot(tmp_path: Path) -> None:
    board = WholeBoard(convert(NUT.values | {"wires": {"quantity": 4}}, NUT.path), tmp_path)

    def host(board: WholeBoard) -> Host:
        chip = board.chip
        yield from board.ask(READY)
        yield from board.ask("SYST:LOCK:REL;:UNIT:STAT?")
        yield from board.until(lambda: chip.output("ready"))
        board.plant.give(True)
        yield from board.until(lambda: not chip.output("ready"))
        yield from board.until(lambda: chip.output("done"))
        assert not chip.output("fault")
        assert board.plant.truth.passed == 4
        board.plant.give(False)
        yield from board.until(lambda: chip.output("ready") and not chip.output("done"))

    assert board.start(host) == "done"


def test_a_cell_on_the_bus_reads_registers_and_who_this_is(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)

    def host(board: WholeBoard) -> Host:
        uart = board.chip.uarts[0]
        assert (uart.baud, uart.parity, uart.frame_bits) == (19_200, 0, 11)
        for question, tail in (
            ("01 03 00 04 00 02 85CA", "0002 0001"),  # state Stopped, mode Production
            ("01 2B 0E 04 80 7287", b"E6614104032B712A".hex()),
        ):
            before = len(uart.sent)
            uart.hear(bytes.fromhex(question))
            yield from board.until(lambda before=before: len(uart.sent) > before)
            yield from board.wait(0.1)
            answer = bytes(byte for _, byte in uart.sent[before:])
            assert answer[:-2].endswith(bytes.fromhex(tail))
        assert [level for _, level in board.chip.pins[Pins().gpio("bus_send")].log] == [1, 0] * 2

    assert board.start(host) == "done"


def crc(data: bytes) -> bytes:
    """CRC-16/MODBUS, bit by bit; 0x4B37 of "123456789" in the catalogue of parametrised CRCs."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


@pytest.mark.parametrize("baud", [1_200, 9_600, 19_200, 115_200])
def test_a_round_that_takes_long_cuts_no_telegram(baud: int, tmp_path: Path) -> None:
    assert crc(b"123456789") == (0x4B37).to_bytes(2, "little")
    written = NUT.values | {"bus": NUT.values["bus"] | {"baud": baud}}
    board = WholeBoard(convert(written, NUT.path), tmp_path)
    question = bytes.fromhex("01 03 00 04 00 02")
    question += crc(question)

    def host(board: WholeBoard) -> Host:
        uart = board.chip.uarts[0]
        yield from board.wait(0.2)

        def slow(call_us: int) -> Callable[[], None]:
            return lambda: setattr(board.chip, "call_us", call_us)

        for number in range(10):
            before = len(uart.sent)
            now_us = board.chip.now_us
            # Each call takes long from before the first byte to somewhere in the telegram.
            board.chip.at(now_us + uart.byte_us - 1, slow(uart.byte_us // 4))
            board.chip.at(now_us + uart.byte_us * (number + 20) // 8, slow(1))
            for at, byte in enumerate(question, 1):
                what = bytes([byte])
                board.chip.at(now_us + at * uart.byte_us, lambda what=what: uart.hear(what))
            yield from board.until(lambda before=before: len(uart.sent) > before, 3)
            yield from board.wait(0.1 + 20 * uart.byte_us / 1e6)

    assert board.start(host) == "done"
