"""What a Modbus server tells: bits and registers, what they hold, and who it says it is.

Sources as in `test_modbus_functions`.
"""

import struct

import pytest
from pymodbus.pdu.decoders import DecodePDU

from controller.link.registers import BLOCKS, COILS, INPUTS, words_of
from tests.controller.link.bus import GAP_US, Bus, exception, frame, frames_in, order, pdu, read
from tests.controller.link.fakefirmware import IDLE, STOPPED


@pytest.fixture
def bus() -> Bus:
    return Bus()


# Bits.


def test_coils_read_as_nothing_and_start_something(bus: Bus) -> None:
    assert bus.ask(pdu(1, 0, len(COILS))) == bytes([1, 1, 0])
    assert bus.ask(pdu(5, 1, 0)) == pdu(5, 1, 0)
    assert bus.ask(pdu(15, 0, len(COILS), data=b"\x00")) == pdu(15, 0, len(COILS))
    assert bus.fw.moves == []
    assert bus.ask(pdu(5, 1, 0xFF00)) == pdu(5, 1, 0xFF00)
    assert bus.ask(pdu(15, 0, len(COILS), data=b"\x10")) == pdu(15, 0, len(COILS))
    assert bus.fw.moves == [("register",), ("index",)]


def test_inputs_stand_from_the_lowest_bit(bus: Bus) -> None:
    assert bus.ask(pdu(2, 0, 8)) == bytes([2, 1, 0b00101111])  # four levels, in service
    assert bus.ask(pdu(2, 3, 3)) == bytes([2, 1, 0b101])
    bus.fw.beam = lambda: (1, 1)
    bus.ask(order(7, 25))
    answer = bus.ask(pdu(2, 0, len(INPUTS)))
    assert answer == bytes([2, 3, 0b01101111, 0b10000000, 0b1])


# Registers.


def test_every_register_alone_and_all_at_once(bus: Bus) -> None:
    """Functions 3 and 4 agree, a register read alone is what it is among others, the rest is 2."""
    mapped = {at for block in BLOCKS for at in range(block[0], block[0] + words_of(block))}
    alone = {}
    for at in range(256):
        if at in mapped:
            answer = bus.ask(pdu(3, at, 1))
            assert bus.ask(pdu(4, at, 1)) == b"\x04" + answer[1:]
            alone[at] = answer[2:]
        else:
            assert exception(bus, pdu(3, at, 1)) == 2
    for start in (0, 100, 200):
        end = next(at for at in range(start, 256) if at not in mapped)
        answer = bus.ask(pdu(3, start, end - start))
        # The count of refusals has not gone up: an address that is not there is no refusal.
        assert answer[2:] == b"".join(alone[at] for at in range(start, end))


def test_values_wear_their_types(bus: Bus) -> None:
    bus.fw.position = lambda: (1, -42, 0)
    assert read(bus, "position") == struct.pack(">Hi", 1, -42)
    assert read(bus, "signals")[-2:] == b"\xff\xff"  # -1: the beam was never tested
    assert read(bus, "identity") == struct.pack(">HHHH", 1, 0, 1, 0)
    assert read(bus, "limits") == struct.pack(">IH", 10000, 7)
    bus.fw.sprocket = lambda: (2**33, 200000, 13, 1, 0, 70000)
    assert read(bus, "sprocket")[:4] == b"\xff" * 4, "too many to tell"
    bus.fw.progress = lambda: (65535, 1, 7, 0, 1, 2, 70000)
    assert read(bus, "progress")[-2:] == b"\xff\xff"


def test_one_read_asks_once_for_each_block(bus: Bus) -> None:
    """So that what belongs together can't change between two of its registers."""
    calls = []
    progress = bus.fw.progress
    bus.fw.progress = lambda: calls.append(1) or progress()
    read(bus, "progress")
    assert len(calls) == 1


def test_what_is_still_is_told_again_until_something_is_written(bus: Bus) -> None:
    calls = []
    position, owner = bus.fw.position, bus.fw.owner
    bus.fw.position = lambda: calls.append("position") or position()
    bus.fw.owner = lambda: calls.append("owner") or owner()  # by the clock: silence runs out

    def ask(name: str, still: bool) -> None:
        start, count = next((row[0], words_of(row)) for row in BLOCKS if row[1] == name)
        bus.server.feed(frame(pdu(3, start, count), bus.address), bus.now_us, still)
        bus.now_us += GAP_US
        bus.server.feed(b"", bus.now_us, still)
        assert bus.server.take()

    for name in ("position", "authority"):
        for still in (False, True, True):
            ask(name, still)
    assert calls == ["position", "owner", "owner", "owner"]
    bus.ask(pdu(6, 200, 2))  # a write, whatever comes of it
    ask("position", True)
    ask("position", False)
    assert calls[4:] == ["position"] * 2


def test_what_was_asked_last_is_there_before_it_is_asked_again(bus: Bus) -> None:
    calls = []
    position = bus.fw.position
    bus.fw.position = lambda: calls.append(1) or position()
    read(bus, "position")
    bus.server.feed(b"", bus.now_us)  # something may be new
    bus.fw.position = lambda: calls.append(1) or (1, 4711, 99)
    bus.server.rest()
    bus.server.rest()
    assert len(calls) == 2
    start, count = next((row[0], words_of(row)) for row in BLOCKS if row[1] == "position")
    bus.server.feed(frame(pdu(3, start, count), bus.address), bus.now_us, True)
    bus.server.feed(b"", bus.now_us + GAP_US, True)
    assert frames_in(bus.server.take())[0][1][2:] == struct.pack(">Hi", 1, 4711)
    assert len(calls) == 2
    assert bus.count(14) == 3, "what was not asked is not served"


def test_what_has_not_been_asked_of_late_is_not_kept(bus: Bus) -> None:
    calls = []
    position = bus.fw.position
    bus.fw.position = lambda: calls.append(1) or position()
    read(bus, "position")
    for start in range(10):
        bus.ask(pdu(3, start, 1))
    bus.server.feed(b"", bus.now_us)
    bus.server.rest()
    assert len(calls) == 1


# The server itself.


def test_counters(bus: Bus) -> None:
    bus.ask(pdu(8, 10, 0))
    bus.send(frame(pdu(3, 0, 1), 5))  # a neighbour's
    bus.send(frame(pdu(3, 0, 1))[:-1] + b"\x00")  # damaged
    bus.send(frame(pdu(6, 60000, 0), 0))  # to all
    exception(bus, pdu(3, 60000, 1))
    assert [bus.count(sub) for sub in range(11, 19)] == [
        4,  # messages with a right check sum, this question among them
        1,  # communication errors
        1,  # exceptions
        6,  # to this module or all: two before, and the four questions so far
        1,  # not answered
        0,  # negative acknowledges
        0,  # busy
        0,  # overruns
    ]
    assert bus.ask(pdu(8, 20, 0)) == pdu(8, 20, 0)
    assert bus.ask(pdu(8, 10, 0)) == pdu(8, 10, 0)
    assert bus.count(11) == 1
    assert bus.count(12) == 0


def test_server_id_tells_whether_it_is_in_service(bus: Bus) -> None:
    decoder = DecodePDU(False)
    for state, running in ((6, True), (IDLE, False), (STOPPED, False)):
        bus.fw.unit.state = state
        answer = decoder.decode(bus.ask(b"\x11"))
        assert (answer.identifier, answer.status) == (b"Tallywheel m4, nut 0.1.0", running)


# (level asked for, first object, objects): Application Protocol V1.1b3, 6.21, from memory.
@pytest.mark.parametrize(
    ("level", "first", "objects"),
    [
        (1, 0, [0, 1, 2]),
        (1, 1, [1, 2]),
        (1, 3, [0, 1, 2]),  # beyond the end: from the beginning
        (2, 0, [0, 1, 2, 4, 5, 6]),
        (2, 4, [4, 5, 6]),
        (2, 99, [0, 1, 2, 4, 5, 6]),
        (3, 0, [0, 1, 2, 4, 5, 6, 0x80]),  # from 0x80 on the product's own: the serial number
        (3, 0x81, [0, 1, 2, 4, 5, 6, 0x80]),
        (4, 0x80, [0x80]),
        (4, 5, [5]),
    ],
)
def test_identification(bus: Bus, level: int, first: int, objects: list[int]) -> None:
    raw = bus.ask(bytes([43, 14, level, first]))
    answer = DecodePDU(False).decode(raw)
    assert (answer.read_code, answer.conformity, answer.more_follows) == (level, 0x83, 0)
    assert sorted(answer.information) == objects
    texts = {0: b"Tallywheel", 2: b"0.1.0", 5: b"m4, nut", 6: b"M4 nut"}
    for number, text in texts.items():
        assert answer.information.get(number, text) == text


def test_the_longest_names_fit_into_one_answer(bus: Bus) -> None:
    bus.fw.identity = ("Tallywheel", "n" * 32, "e" * 16, "255.255.255")
    bus.fw.settings.part_name = "p" * 32
    assert len(bus.ask(b"\x2b\x0e\x03\x00")) <= 253
    assert len(bus.ask(b"\x11")) <= 253


def test_answers_nobody_takes_are_bounded(bus: Bus) -> None:
    for _ in range(100):
        bus.server.feed(frame(pdu(3, 0, 60)), bus.now_us)
        bus.now_us += 100_000
        bus.server.poll(bus.now_us)
    answers = frames_in(bus.server.take())
    assert 1 <= len(answers) <= 5
    assert bus.ask(pdu(8, 0, 7)) == pdu(8, 0, 7)
