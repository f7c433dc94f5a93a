"""Functions, exceptions and their order, limits, atomic writes, broadcast, counters.

Limits and exception codes: MODBUS Application Protocol V1.1b3 as pymodbus, libmodbus and
minimalmodbus have them.  The order of checks follows its state diagrams, from memory.  Worked
frames are those of `test_modbus_frame`, with their sources.
"""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.link.refusal import Refused
from controller.link.registers import BLOCKS, COILS, words_of
from tests.controller.link.bus import (
    FIRST,
    REQUEST,
    Bus,
    exception,
    frame,
    frames_in,
    order,
    pdu,
    read,
)
from tests.controller.link.fakefirmware import WORK_US

COMMAND = FIRST["command"]


@pytest.fixture
def bus() -> Bus:
    return Bus()


# Worked frames. What the published masters ask for is not in our map, and the answer says so.


def test_worked_echo(bus: Bus) -> None:
    worked = bytes.fromhex("11 08 00 00 A5 37 D8 1D")
    assert bus.send(worked) == worked


def test_worked_exception() -> None:
    assert Bus(10).send(bytes.fromhex("0A 01 04 A1 00 01 AC 63")) == bytes.fromhex("0A 81 02 B0 53")


def test_worked_broadcast_is_not_answered(bus: Bus) -> None:
    assert bus.send(bytes.fromhex("00 06 00 01 00 03 99 DA")) == b""


@pytest.mark.parametrize(
    ("worked", "code"),
    [
        ("11 01 00 13 00 25 0E 84", 2),
        ("11 02 00 C4 00 16 BA A9", 2),
        ("11 05 00 AC FF 00 4E 8B", 2),
        ("11 06 00 01 00 03 9A 9B", 2),  # it can only be read
        ("11 0F 00 13 00 0A 02 CD 01 BF 0B", 2),
        ("11 10 00 01 00 02 04 00 0A 01 02 C6 F0", 2),
        ("11 17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF 4B 54", 2),
        ("11 16 00 04 00 F2 00 25 66 E2", 1),  # mask write is not offered
    ],
)
def test_worked_requests_beyond_the_map(bus: Bus, worked: str, code: int) -> None:
    data = bytes.fromhex(worked)
    assert bus.send(data) == frame(bytes([data[1] | 0x80, code]))


# The order of checks.


@pytest.mark.parametrize("function", [7, 9, 11, 12, 20, 21, 22, 24, 65, 100, 127])
def test_unknown_functions(bus: Bus, function: int) -> None:
    assert exception(bus, bytes([function])) == 1
    assert exception(bus, pdu(function, 0xFFFF, 0xFFFF)) == 1


LIMITS = (
    # function, most items, an address that holds none
    (1, 2000, 60000),
    (2, 2000, 60000),
    (3, 125, 60000),
    (4, 125, 60000),
)


@pytest.mark.parametrize(("function", "most", "nowhere"), LIMITS)
def test_reads_check_quantity_before_address(bus: Bus, function, most, nowhere) -> None:
    for count in (0, most + 1, 0xFFFF):
        assert exception(bus, pdu(function, nowhere, count)) == 3
    assert exception(bus, pdu(function, nowhere, most)) == 2
    assert exception(bus, pdu(function, 0xFFFF, 1)) == 2
    assert exception(bus, pdu(function, 0, most)) == 2  # begins in the map and leaves it
    assert (
        exception(bus, pdu(function, 0, 1) + b"\x00") == 3
    )  # of another length than the standard's


@pytest.mark.parametrize(
    ("request_", "code"),
    [
        (pdu(5, 60000, 0x1234), 3),
        (pdu(5, 60000, 0xFF01), 3),
        (pdu(5, 60000, 0xFF00), 2),
        (pdu(5, len(COILS), 0xFF00), 2),
        (pdu(15, 60000, 0, data=b""), 3),
        (pdu(15, 60000, 1969, data=bytes(247)), 3),
        (pdu(15, 60000, 9, data=b"\x00"), 3),  # nine coils need two bytes
        (pdu(15, 60000, 8, data=b"\x00\x00"), 3),
        (pdu(15, 60000, 1968, data=bytes(246)), 2),
        (pdu(15, 0, len(COILS), data=b"\x03"), 3),  # two operations could not be one
        (pdu(6, 60000, 1), 2),
        (pdu(16, 60000, 0, data=b""), 3),
        (pdu(16, 60000, 124, data=bytes(246)), 3),  # 248 would not fit into a frame
        (pdu(16, 60000, 2, data=bytes(3)), 3),
        (pdu(16, 60000, 2, data=bytes(6)), 3),
        (pdu(16, 60000, 123, data=bytes(246)), 2),
        (pdu(16, 0, 4, data=bytes(8)), 2),  # can only be read
        (pdu(23, 60000, 0, 60000, 1, data=bytes(2)), 3),
        (pdu(23, 60000, 126, 60000, 1, data=bytes(2)), 3),
        (pdu(23, 60000, 1, 60000, 0, data=b""), 3),
        (pdu(23, 60000, 1, 60000, 122, data=bytes(242)), 3),  # nor would 244
        (pdu(23, 60000, 1, 60000, 1, data=bytes(4)), 3),
        (pdu(23, 60000, 1, REQUEST, 3, data=struct.pack(">HI", 7, 25)), 2),  # nothing is written
        (pdu(23, 0, 1, 60000, 1, data=bytes(2)), 2),
        (pdu(8, 3, 0), 1),
        (pdu(8, 99, 0), 1),
        (pdu(8, 11, 1), 3),
        (b"\x08\x00", 3),
        (b"\x11\x00", 3),
        (b"\x2b\x0d\x00\x00", 1),  # another MEI type
        (b"\x2b\x0e\x00\x00", 3),
        (b"\x2b\x0e\x05\x00", 3),
        (b"\x2b\x0e\x04\x03", 2),  # an object there is not
        (b"\x2b\x0e\x04\x81", 2),
        (b"\x2b\x0e", 3),
    ],
)
def test_what_is_wrong_is_found_in_the_standards_order(bus: Bus, request_: bytes, code: int):
    assert exception(bus, request_) == code


def test_address_before_value(bus: Bus) -> None:
    """A value that the module refuses matters only where there is something to write to."""
    assert exception(bus, order(0, 0, start=REQUEST + 1)) == 2
    assert exception(bus, order(0, 0)) == 3


# Atomic writes.


@pytest.mark.parametrize(
    "half",
    [
        pdu(6, REQUEST, 7),
        pdu(6, REQUEST + 1, 0),
        pdu(6, REQUEST + 2, 25),
        pdu(16, REQUEST, 1, data=bytes([0, 7])),
        pdu(16, REQUEST, 2, data=bytes([0, 7, 0, 0])),
        pdu(16, REQUEST + 1, 2, data=bytes([0, 0, 0, 25])),
        pdu(16, REQUEST - 1, 4, data=bytes([0, 1, 0, 7, 0, 0, 0, 25])),
        pdu(16, REQUEST, 5, data=bytes([0, 7, 0, 0, 0, 25, 0, 0, 0, 1])),
        pdu(23, 0, 1, REQUEST, 2, data=bytes([0, 7, 0, 0])),
    ],
)
def test_half_a_request_is_none(bus: Bus, half: bytes) -> None:
    assert exception(bus, half) == 2
    assert read(bus, "request") == bytes(6)


def test_a_whole_one_is_one(bus: Bus) -> None:
    assert bus.ask(order(7, 70000 // 10)) == pdu(16, REQUEST, 3)
    assert bus.fw.moves == [("request", 7, 7000)]
    assert read(bus, "request") == struct.pack(">HI", 7, 7000)


def test_write_and_read_in_one(bus: Bus) -> None:
    bus.ask(order(7, 25))
    bus.fw.advance(WORK_US)
    selected = next(block for block in BLOCKS if block[1] == "selected")
    answer = bus.ask(
        pdu(23, selected[0], words_of(selected), FIRST["selection"], 1, data=b"\x00\x07")
    )
    assert struct.unpack(">HIHIIIHIH", answer[2:]) == (7, 25, 0, 25, 25, 25, 0, 1, 0)
    answer = bus.ask(
        pdu(23, selected[0], words_of(selected), FIRST["selection"], 1, data=b"\x00\x08")
    )
    assert answer[2:] == bytes(2 * words_of(selected)), "no such result"
    assert read(bus, "newest")[:2] == b"\x00\x07"
    assert read(bus, "kept") == b"\x00\x07" + bytes(30)


# What the firmware refuses.


def refusals(bus: Bus) -> tuple[int, int]:
    return struct.unpack(">hH", read(bus, "refusals"))


def test_a_value_out_of_range_is_exception_3(bus: Bus) -> None:
    assert refusals(bus) == (0, 0)
    for number, request in enumerate(
        [
            order(0, 25),
            order(7, 0),
            order(7, 10001),
            pdu(6, COMMAND, 0),
            pdu(6, COMMAND, 11),
            pdu(6, FIRST["mode"], 0),
            pdu(6, FIRST["mode"], 4),
            pdu(6, FIRST["purge"], 8),
            pdu(16, FIRST["jog"], 2, data=struct.pack(">i", -1000001)),
            pdu(16, FIRST["load"], 2, data=struct.pack(">I", 301)),
        ]
    ):
        assert exception(bus, request) == 3
        assert refusals(bus) == (-222, number + 1)  # SCPI-1999: Data out of range


def test_what_passes_by_itself_is_exception_6_and_the_rest_4(bus: Bus) -> None:
    assert exception(bus, pdu(6, FIRST["mode"], 2)) == 4  # in Execute, nothing under way
    assert refusals(bus) == (-221, 1)  # SCPI-1999: Settings conflict
    bus.ask(order(7, 25))
    assert exception(bus, order(8, 25)) == 6
    assert exception(bus, pdu(6, FIRST["mode"], 2)) == 6
    assert bus.count(17) == 2  # server busy count
    bus.fw.advance(WORK_US)
    assert bus.ask(order(8, 25)) == pdu(16, REQUEST, 3)


def test_another_link_in_command_is_exception_6(bus: Bus, monkeypatch) -> None:
    def protected(*_):
        raise Refused(-203, "command is held by LINE")  # SCPI-1999: Command protected

    monkeypatch.setattr(bus.fw, "open_request", protected)
    assert exception(bus, order(7, 25)) == 6
    assert refusals(bus) == (-203, 1)


# Broadcast.


def test_a_broadcast_write_is_obeyed_and_not_answered(bus: Bus) -> None:
    for request in (order(7, 25), pdu(6, COMMAND, 3), pdu(5, 1, 0xFF00), pdu(15, 1, 1, data=b"\1")):
        bus.fw.unit.state = 6
        assert bus.send(frame(request, 0)) == b""
        bus.fw.advance(WORK_US)
    assert bus.fw.moves == [("request", 7, 25), ("command", 3), ("register",), ("register",)]


def test_a_broadcast_read_is_nothing(bus: Bus) -> None:
    bus.ask(order(7, 25))
    for request in (
        pdu(3, 0, 1),
        pdu(23, 0, 1, COMMAND, 1, data=b"\x00\x08"),
        pdu(8, 0, 0),
        pdu(8, 10, 0),
        b"\x11",
        b"\x2b\x0e\x01\x00",
        pdu(65, 0),
        pdu(6, 60000, 0),  # wrong, and not answered either
    ):
        assert bus.send(frame(request, 0)) == b""
    assert bus.fw.moves == [("request", 7, 25)]


def test_answers_of_others_at_our_address_are_not_answered(bus: Bus) -> None:
    assert bus.send(frame(b"\x83\x02")) == b""


@given(st.binary(min_size=1, max_size=253))
def test_every_request_is_answered(request_: bytes) -> None:
    bus = Bus()
    answers = frames_in(bus.send(frame(request_)))
    if request_[0] & 0x80:
        assert answers == []
    else:
        [(_, answer)] = answers
        assert answer[0] & 0x7F == request_[0]
        assert answer[0] == request_[0] or answer[1] in {1, 2, 3, 4, 6}
        assert len(answer) <= 253
