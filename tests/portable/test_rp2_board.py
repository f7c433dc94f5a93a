"""The whole board under both interpreters: parts, guard, power, faults, in a few seconds each."""

import sys

from controller.board.ports import EXCEPTION
from controller.board.rp2.health import Scratch
from controller.board.rp2.loop import Loop
from controller.board.rp2.main import Board
from controller.board.rp2.pins import Pins
from tests.portable.board import WholeBoard
from tests.portable.wheel import wheel_settings

READY = "UNIT:COMM RES;*WAI;COMM STAR;*WAI;STAT?"


def test_parts_are_dispensed_exactly():
    board = WholeBoard()
    said = []

    def host(board):
        said.append((yield from board.ask("*IDN?")))
        said.append((yield from board.ask(READY)))
        said.append((yield from board.ask("REQ:OPEN 1,3;*OPC?;:REQ:RES?")))
        said.append((yield from board.ask("REQ:OPEN 2,6;*OPC?;:REQ:RES?")))

    assert board.start(host) == "done"
    assert said[0] == "Tallywheel,nut module,E6614104032B712A,0.1.0"
    assert said[1] == "6,EXECUTE"
    assert said[2].startswith("1;1,3,0,3,3,") and said[3].startswith("1;2,6,0,6,6,"), said
    board.remove()


def test_an_open_guard_takes_pulses_and_current_away_in_its_interrupt():
    board = WholeBoard()

    def host(board):
        chip = board.chip
        yield from board.ask(READY)
        yield from board.ask("REQ:OPEN 1,6;:REQ:PROG?")
        yield from board.until(lambda: len(board.wheel.let_go) == 3)
        assert board.wheel.status()[0] & 1 and chip.output("enable")
        chip.drive(13, 0)
        assert not board.wheel.status()[0] & 1 and not chip.output("enable")
        issued = board.wheel.status()[1]
        chip.drive(13, 1)
        yield from board.wait(4_000_000)
        assert board.wheel.status()[1] == issued and not chip.output("enable")
        assert (yield from board.ask("UNIT:STAT?")) == "9,ABORTED"

    assert board.start(host) == "done"
    board.remove()


def test_a_request_is_known_after_the_power_was_gone():
    board = WholeBoard()
    said = []

    def cut(board):
        yield from board.ask(READY)
        yield from board.ask("REQ:OPEN 1,6;:REQ:PROG?")
        yield from board.until(lambda: len(board.wheel.let_go) == 3)

    def look(board):
        said.append((yield from board.ask("REQ:RES? 1")))

    assert board.start(cut) == "done"
    assert board.start(look) == "done"
    ticket, quantity, outcome, lower, upper = [int(field) for field in said[0].split(",")[:5]]
    assert (ticket, quantity, outcome) == (1, 6, 3)
    assert lower <= len(board.wheel.let_go) <= upper
    board.remove()


def test_an_exception_is_told_after_the_reset():
    board = WholeBoard()
    said = []

    def fail():
        raise ValueError("odd")

    def cut(board):
        yield from board.ask(READY)
        board.chip.at(board.chip.now_us + 1, fail)
        yield from board.wait(1_000_000)

    def look(board):
        said.append((yield from board.ask("SYST:REST?;:UNIT:STAT?")))

    assert board.start(cut) == "reset"
    assert not board.chip.output("enable")
    assert board.start(look, reset=True) == "done"
    assert said[0].startswith(str(EXCEPTION) + ',"ValueError: odd'), said
    assert said[0].endswith(";9,ABORTED")
    board.remove()


def test_refused_settings_are_told_with_the_drive_off():
    board = WholeBoard()
    with open(board.folder + "settings.json", "w") as file:
        file.write('{"part_mass_mg": 0}')
    said = []

    def host(board):
        for _ in range(60):
            said.append((yield from board.ask("SYST:ERR?")))

    assert board.start(host) == "done"
    assert [line for line in said if "part_mass_mg = 0 mg: allowed 1 to" in line]
    assert not board.chip.output("enable")
    board.remove()


def test_a_turn_without_a_round_takes_no_memory():
    if sys.implementation.name != "micropython":
        return
    import micropython  # noqa: PLC0415  there is none elsewhere

    whole = WholeBoard()
    machine, rp2, tools = whole.plug()
    scratch = Scratch(machine, "rp2040")
    board = Board(machine, rp2, tools, whole.folder, Pins(), scratch)
    loop = Loop(board, wheel_settings(), 0, "")
    while loop.turn() is not None:
        pass
    whole.chip.in_interrupt = True  # time stands still
    micropython.heap_lock()
    try:
        for _ in range(100):
            assert loop.turn() is None
    finally:
        micropython.heap_unlock()
    whole.remove()
