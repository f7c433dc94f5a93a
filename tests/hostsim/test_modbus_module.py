"""A whole module asked over its bus, in virtual time: the real firmware behind the server."""

import struct
from pathlib import Path

import pytest

import controller.link
from controller.board.ports import GUARD_CLOSED
from hostsim.board import BUS
from hostsim.config import load
from hostsim.module import SimModule
from tests.controller.link.bus import frame, frames_in
from tests.controller.link.test_modbus_functions import COMMAND, FIRST, order, pdu

README = Path(controller.link.__file__).with_name("README.md")
CONFIG = Path(__file__).parents[2] / "configs" / "m4_nut.toml"
ADDRESS = 1
SILENCE_US = 2006  # 3.5 characters at 19,200 baud
ANSWER_US = 50_000
RESET, START, STOP = 1, 2, 3  # PackML CntrlCmd
IDLE, EXECUTE = 4, 6  # PackML StateCurrent
CLOSED = 8  # state of a request


class Cell:
    """A master on the bus of one module."""

    def __init__(self, engine: str = "inprocess", faults: str = "none") -> None:
        self.module = SimModule(load(CONFIG), seed=3, faults=faults, engine=engine)

    def ask(self, request: bytes) -> bytes:
        module = self.module
        module.board.write(frame(request, ADDRESS), BUS)
        module.run_until(module.now_us + ANSWER_US)
        [(address, answer)] = frames_in(module.board.read(BUS))
        assert address == ADDRESS
        return answer

    def read(self, name: str, layout: str) -> tuple:
        answer = self.ask(pdu(3, FIRST[name], struct.calcsize(layout) // 2))
        return struct.unpack(layout, answer[2:])

    def until(self, what, seconds: int = 60) -> None:
        end_us = self.module.now_us + seconds * 1_000_000
        while not what():
            assert self.module.now_us < end_us

    def go(self, command: int, state: int) -> None:
        assert self.ask(pdu(6, COMMAND, command)) == pdu(6, COMMAND, command)
        self.until(lambda: self.read("unit", ">H") == (state,))

    def start(self) -> None:
        self.go(RESET, IDLE)
        self.go(START, EXECUTE)

    def fetch(self, ticket: int, quantity: int) -> tuple:
        """Have parts delivered; return the result as its registers hold it."""
        assert self.ask(order(ticket, quantity)) == pdu(16, FIRST["request"], 3)
        self.until(lambda: self.read("progress", ">HIH")[2] == CLOSED)
        return self.result(ticket)

    def result(self, ticket: int) -> tuple:
        layout = ">HIHIIIHIH"
        count = struct.calcsize(layout) // 2
        selection = struct.pack(">H", ticket)
        return struct.unpack(
            layout,
            self.ask(pdu(23, FIRST["selected"], count, FIRST["selection"], 1, data=selection))[2:],
        )

    def __enter__(self) -> "Cell":
        return self

    def __exit__(self, *_: object) -> None:
        self.module.close()


def test_a_request_from_power_up_to_its_result() -> None:
    with Cell() as cell:
        cell.start()
        load = pdu(16, FIRST["load"], 2, data=struct.pack(">I", 100))
        assert cell.ask(load) == pdu(16, FIRST["load"], 2)
        result = cell.fetch(7, 12)
        assert result[:5] == (7, 12, 0, 12, 12)  # exact
        assert cell.module.plant.truth.passed == 12
        assert cell.read("magazine", ">I") == (100 - 12,)
        # The same ticket again: acknowledged, not delivered again.
        assert cell.fetch(7, 12) == result
        assert cell.module.plant.truth.passed == 12
        assert cell.ask(order(7, 13)) == bytes([0x90, 3])
        assert cell.fetch(8, 3)[:5] == (8, 3, 0, 3, 3)
        assert cell.result(7) == result
        assert cell.module.ask("REQ:RES? 7").split(",")[:5] == ["7", "12", "0", "12", "12"]


def test_another_ticket_waits_its_turn() -> None:
    with Cell() as cell:
        cell.start()
        cell.ask(order(7, 12))
        assert cell.ask(order(8, 3)) == bytes([0x90, 6])
        assert cell.read("progress", ">HI") == (7, 12)
        assert cell.ask(pdu(5, 0, 0xFF00)) == pdu(5, 0, 0xFF00)  # cancel
        cell.until(lambda: cell.read("unit", ">HHHH")[3] == 0)
        ticket, quantity, outcome, lower, upper = cell.read("newest", ">HIHII")
        assert (ticket, quantity, outcome) == (7, 12, 1)  # short
        assert lower == upper == cell.module.plant.truth.passed < 12


def test_in_service_is_told_before_a_request_and_refused() -> None:
    with Cell() as cell:
        assert cell.ask(order(7, 12)) == bytes([0x90, 4])
        assert cell.read("refusals", ">hH") == (-221, 1)  # SCPI-1999: Settings conflict
        assert cell.module.plant.drive_status() == (0, 0)


def test_answers_come_behind_the_silence() -> None:
    """MODBUS over Serial Line V1.02: 3.5 characters end the request; nothing is said before."""
    with Cell() as cell:
        module = cell.module
        module.run_until(1_000_000)
        question = frame(pdu(8, 0, 0xA537), ADDRESS)
        module.board.write(question, BUS)
        module.run_until(1_000_000 + SILENCE_US - 1)
        assert module.board.read(BUS) == b""
        module.run_until(1_000_000 + SILENCE_US)
        assert module.board.read(BUS) == question


def test_answers_given_again_are_never_out_of_date() -> None:
    """While a master asks for the same over and over, hands and another link change it."""
    with Cell() as cell:
        module = cell.module

        def look() -> tuple:
            return cell.read("magazine", ">I") + cell.read("signals", ">H")

        (full, shut) = [look() for _ in range(10)][-1]
        assert shut & GUARD_CLOSED
        for parts in (40, 2):
            module.tell(f"MAG:LOAD {parts}")
            full += parts
            assert look() == (full, shut)
            module.plant.guard(False)
            assert look() == (full, shut & ~GUARD_CLOSED)
            module.plant.guard(True)
            assert look() == (full, shut)


@pytest.mark.parametrize("engine", ["cpython", "micropython"])
def test_every_interpreter_says_the_same(engine: str) -> None:
    logs = []
    for name in ("inprocess", engine):
        with Cell(name, faults="everyday") as cell:
            cell.start()
            cell.fetch(7, 10)
            logs.append(cell.module.log.sha256())
    assert logs[0] == logs[1]


def test_noise_on_the_bus_moves_nothing_and_spoils_no_request() -> None:
    with Cell() as cell:
        cell.start()
        cell.ask(order(7, 12))
        good = frame(order(8, 25), ADDRESS)
        for bit in range(8 * len(good)):
            damaged = bytearray(good)
            damaged[bit // 8] ^= 1 << bit % 8
            cell.module.board.write(bytes(damaged), BUS)
            cell.module.run_until(cell.module.now_us + 10_000)
        assert cell.module.board.read(BUS) == b""
        cell.until(lambda: cell.read("progress", ">HIH")[2] == CLOSED)
        assert cell.result(7)[:5] == (7, 12, 0, 12, 12)
        assert cell.read("kept", ">HH") == (7, 0)


def test_the_session_in_the_readme() -> None:
    """Byte for byte, up to how long the request has taken."""
    text = README.read_text(encoding="utf-8")
    session = text[text.index("> 01 06 00 C8") :].partition("```")[0].replace("\n<", " <")
    with Cell() as cell:
        for line in session.splitlines():
            said, answered = (bytes.fromhex(part) for part in line.lstrip("> ").split("<"))
            if not answered[1] & 0x80:  # what is refused is meant to come while another is open
                cell.until(lambda: not cell.read("unit", ">HHHH")[3])
            cell.module.board.write(said, BUS)
            cell.module.run_until(cell.module.now_us + ANSWER_US)
            heard = cell.module.board.read(BUS)
            assert (heard[:25], len(heard)) == (answered[:25], len(answered))
