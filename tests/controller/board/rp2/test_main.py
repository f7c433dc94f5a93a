"""The main loop of a board: refused settings, faults, watchdog, restarts, rounds, light."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.board.ports import COMMANDED, EXCEPTION, HUNG, POWER_UP
from controller.board.rp2.health import FAULTS_MAX, WATCHDOG_MS
from controller.board.rp2.pins import OUT, TABLE, Pins
from controller.cycle import causes
from controller.record import events
from hostsim.config import load
from tests.controller.board.rp2.plantchip import Host, WholeBoard

READY = "MAG:LOAD 200;:UNIT:COMM RES;*WAI;COMM STAR;*WAI;STAT?"
NUT = load("configs/m4_nut.toml")


def board_with(folder: Path, **changes: Any) -> WholeBoard:
    """A nut module whose settings file has been edited by somebody."""
    board = WholeBoard(NUT, folder)
    path = folder / "settings.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | changes))
    return board


def said_by(board: WholeBoard, *lines: str, reset: bool = False) -> list[str]:
    """Start the board and ask these lines; what it answers."""
    said: list[str] = []

    def host(board: WholeBoard) -> Host:
        for line in lines:
            said.append((yield from board.ask(line)))

    assert board.start(host, reset) == "done"
    return said


def energised(board: WholeBoard) -> bool:
    """Whether ENABLE has ever been on since the start."""
    pins = Pins()
    log = board.chip.pins[pins.gpio("enable")].log
    return any(level == pins.active("enable") for _, level in log)


# ---- refused settings ----------------------------------------------------------------------------


def test_refused_settings_are_told_one_by_one_with_the_drive_off(tmp_path: Path) -> None:
    board = board_with(tmp_path, limit_creep_steps_s=-1, part_mass_mg=0)
    who, first, second, again = said_by(board, "*IDN?", "SYST:ERR?", "syst:err?", "UNIT:STAT?")
    assert who.split(",")[1] == "refused"
    assert first.startswith('-220,"Parameter error;limit_creep_steps_s = -1 steps/s: allowed 5 to')
    assert "part_mass_mg = 0 mg: allowed 1 to" in second
    assert again == first
    assert not energised(board)
    assert board.chip.output("enable") is False


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("no json", "settings.json: missing, or no JSON"),
        ("[1]", "must be one JSON object"),
        (None, "settings.json: missing, or no JSON"),
    ],
)
def test_without_a_table_no_pin_is_touched(tmp_path: Path, text: str | None, reason: str) -> None:
    board = WholeBoard(NUT, tmp_path)
    path = tmp_path / "settings.json"
    path.unlink() if text is None else path.write_text(text)
    answers = said_by(board, "SYST:ERR?", "SYST:ERR?")
    assert any(reason in answer for answer in answers)
    assert all(state.mode is None for state in board.chip.pins.values())


def test_pins_in_doubt_are_not_touched(tmp_path: Path) -> None:
    board = board_with(tmp_path, board_pins=[["enable", 8]])
    (answer,) = said_by(board, "SYST:ERR?")
    assert "step is on this pin" in answer or "enable is on this pin" in answer
    assert all(state.mode is None for state in board.chip.pins.values())


def test_settings_for_another_chip_are_refused(tmp_path: Path) -> None:
    board = board_with(tmp_path, board_name="rp2040")
    (answer,) = said_by(board, "SYST:ERR?")
    assert "board_name = rp2040: this board is an rp2350" in answer


def test_a_client_is_told_and_can_lead_a_refused_board_to_the_prompt(tmp_path: Path) -> None:
    board = board_with(tmp_path, part_mass_mg=0)
    said = []

    def client(board: WholeBoard) -> Host:
        # As `hostsim.links` greets: device clear, then who are you; and as `flash` asks for files.
        said.append((yield from board.ask("half a li\x03\n*CLS;*IDN?")))
        said.append((yield from board.ask("SYSTem:RESTart?;:SYSTem:ERRor?")))
        said.append((yield from board.ask("SYSTem:RESTart PROMpt;:SYSTem:ERRor?")))
        yield from board.wait(5)

    assert board.start(client) == "reset"
    assert said[0].startswith("Tallywheel,refused,") and "part_mass_mg" in said[1]
    assert said[2] == '0,"No error"'
    assert not board.interrupt_keys  # off since `start.py`: byte 3 is for the line
    assert board.start(client, reset=True) == "prompt"


# ---- power-up ------------------------------------------------------------------------------------


def test_outputs_are_at_rest_before_anything_is_read_and_the_drive_first(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)
    assert said_by(board, "UNIT:STAT?;:SYST:REST?") == ['2,STOPPED;0,""']
    pins = Pins()
    for signal, gpio, direction, _, active in TABLE:
        state = board.chip.pins.get(gpio)
        if direction == OUT and signal != "light":
            assert state is not None and state.level == 1 - active, signal
            assert all(level == 1 - active for _, level in state.log), signal
    log = board.chip.pins[pins.gpio("enable")].log
    assert log[0][0] == min(s.log[0][0] for s in board.chip.pins.values() if s.log)


# ---- faults --------------------------------------------------------------------------------------


def running(board: WholeBoard, then: Any, after_s: float = 1.5) -> Host:
    """Open a request for 25, let it run for a while, and do something to the board."""
    yield from board.ask(READY)
    yield from board.ask("REQ:OPEN 1,25;:REQ:PROG?")
    yield from board.wait(after_s)
    board.chip.at(board.chip.now_us + 1, then)
    yield from board.wait(20)


def still(board: WholeBoard) -> bool:
    """Whether the motor is off, without a pulse to come."""
    flags, before = board.plant.drive_status()
    board.plant.advance(board.plant.now_us + 1_000_000)
    return not flags & 1 and board.plant.drive_status()[1] == before


def test_an_exception_stops_the_drive_and_is_told_after_the_reset(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)

    def fail() -> None:
        raise ValueError('something "odd"')

    assert board.start(lambda board: running(board, fail)) == "reset"
    assert not board.chip.output("enable") and still(board)
    passed = board.plant.truth.passed
    assert 0 < passed < 25
    said = said_by(board, "SYST:REST?", "UNIT:STAT?;CAUS?", "REQ:RES?", reset=True)
    assert said[0].startswith(f"{EXCEPTION},") and "ValueError: something  odd" in said[0]
    assert said[1].startswith(f"9,ABORTED;{causes.INTERNAL_FAULT},")
    ticket, _, outcome, lower, upper = [int(field) for field in said[2].split(",")[:5]]
    assert (ticket, outcome) == (1, 3)
    assert lower <= passed <= upper
    # After the next power-up the fault is still to be read, but is not why the board started.
    (later,) = said_by(board, "SYST:REST?")
    assert later.startswith(f"{POWER_UP},") and "ValueError" in later


def test_a_hang_is_ended_by_the_watchdog_and_told_after_the_reset(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)
    hung_us = []

    def hang() -> None:
        hung_us.append(board.chip.now_us)
        board.chip.advance(board.chip.now_us + 60_000_000)

    assert board.start(lambda board: running(board, hang)) == "reset"
    assert board.chip.now_us - hung_us[0] <= WATCHDOG_MS * 1000
    events_said: list[str] = []

    def host(board: WholeBoard) -> Host:
        events_said.append((yield from board.ask("SYST:REST?")))
        while True:
            event = yield from board.ask("EVEN?")
            events_said.append(event)
            if event.split(",")[2] == "0":
                return

    assert board.start(host, reset=True) == "done"
    assert events_said[0].startswith(f'{HUNG},"the main loop hung ')
    kinds = [event.split(",")[2:4] for event in events_said[1:]]
    assert [str(events.RESTART), str(HUNG)] in kinds
    assert still(board)


def test_a_loop_that_is_always_late_does_not_feed_the_watchdog(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)

    def slow() -> None:
        board.chip.call_us = 60_000  # a round takes seconds

    assert board.start(lambda board: running(board, slow)) == "reset"
    (said,) = said_by(board, "SYST:REST?", reset=True)
    assert said.startswith(f"{HUNG},")


def test_a_fault_at_every_start_leaves_the_board_at_rest_and_talking(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)

    def host(board: WholeBoard) -> Host:
        yield from board.fail(ValueError("again"))

    assert board.start(host) == "reset"
    for _ in range(FAULTS_MAX - 1):
        assert board.start(host, reset=True) == "reset"
    who, why = said_by(board, "*IDN?", "SYST:ERR?", reset=True)
    assert ",refused," in who
    assert f"{FAULTS_MAX} faults in a row" in why and "again" in why
    assert not energised(board)
    assert said_by(board, "UNIT:STAT?") == ["2,STOPPED"]  # the power switch ends the row


def test_a_minute_of_running_ends_a_row_of_faults(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)

    def host(seconds: float) -> Callable[[WholeBoard], Host]:
        def talk(board: WholeBoard) -> Host:
            yield from board.wait(seconds)
            yield from board.fail(ValueError("now and then"))

        return talk

    assert board.start(host(0)) == "reset"
    for _ in range(FAULTS_MAX - 2):
        assert board.start(host(0), reset=True) == "reset"
    assert board.start(host(61), reset=True) == "reset"
    (said,) = said_by(board, "SYST:REST?", reset=True)
    assert said.startswith(f"{EXCEPTION},")


# ---- told to start anew --------------------------------------------------------------------------


def test_the_prompt_is_reached_by_command_and_left_by_the_next_reset(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)
    refused = []

    def host(board: WholeBoard) -> Host:
        yield from board.ask(READY)
        refused.append((yield from board.ask("SYST:REST PROM;:SYST:ERR?")))
        yield from board.ask("UNIT:COMM STOP;*WAI;STAT?")
        yield from board.ask("SYST:REST PROM;:SYST:ERR?")
        yield from board.wait(5)

    assert board.start(host) == "reset"
    assert refused[0].startswith("-221,")
    assert board.start(host, reset=True) == "prompt"
    assert not energised(board)
    assert said_by(board, "SYST:REST?", reset=True) == [f'{COMMANDED},""']


def test_the_interrupt_key_on_usb_stops_a_board_that_is_commanded_elsewhere(tmp_path: Path) -> None:
    board = board_with(tmp_path, board_line="uart")

    def press() -> None:
        raise KeyboardInterrupt

    def host(board: WholeBoard) -> Host:
        board.chip.at(board.chip.now_us + 500_000, press)
        yield from board.wait(5)

    assert board.start(host) == "reset"
    assert board.interrupt_keys == [3]  # ETX, as `start.py` has switched it off
    assert not board.chip.output("enable")
    assert board.start(host, reset=True) == "prompt"


def test_a_restart_is_told_as_commanded(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)

    def host(board: WholeBoard) -> Host:
        assert (yield from board.ask("SYST:REST RUN;:SYST:ERR?")) == '0,"No error"'
        yield from board.wait(5)

    assert board.start(host) == "reset"
    assert said_by(board, "SYST:REST?;:UNIT:STAT?", reset=True) == [f'{COMMANDED},"";2,STOPPED']


# ---- rounds and garbage --------------------------------------------------------------------------


def test_rounds_that_take_too_long_are_counted_and_told(tmp_path: Path) -> None:
    board = WholeBoard(NUT, tmp_path)

    def host(board: WholeBoard) -> Host:
        worst, overruns = map(int, (yield from board.ask("SYST:ROUN?")).split(","))
        assert 0 < worst < 50_000 and overruns == 0
        board.chip.call_us = 10_000
        yield from board.wait(0.5)
        board.chip.call_us = 1
        worst, overruns = map(int, (yield from board.ask("SYST:ROUN?")).split(","))
        assert worst > 50_000 and overruns > 0

    assert board.start(host) == "done"


def test_garbage_is_collected_at_rest_and_within_a_request_only_when_memory_is_low(
    tmp_path: Path,
) -> None:
    board = WholeBoard(NUT, tmp_path)
    memory = board.memory
    moving = []
    collect = memory.collect

    def noted() -> None:
        moving.append(bool(board.plant.drive_status()[0] & 1))
        collect()
        memory.alloc = 100_000

    memory.collect = noted  # type: ignore[method-assign]

    def host(board: WholeBoard) -> Host:
        at_boot = memory.collections
        yield from board.wait(3)
        assert memory.collections == at_boot  # there is nothing to collect
        memory.alloc += 50_000
        yield from board.wait(1)
        assert memory.collections == at_boot + 1
        yield from board.ask(READY)
        before = memory.collections
        memory.alloc += 50_000
        yield from board.ask("REQ:OPEN 1,25;*OPC?;:REQ:RES?")
        within = memory.collections - before
        yield from board.wait(2)
        assert memory.collections > before + within
        memory.alloc, memory.free = 190_000, 10_000
        yield from board.ask("REQ:OPEN 2,25;*OPC?;:REQ:RES?")

    assert board.start(host) == "done"
    assert not any(moving)
