"""The core of the Modbus server, under both interpreters.

Frames: bbs.21ic.com/icview-162927-1-1.html (11 03 00 6B 00 03), pymodbus test_framer.py
(11 83 02 C1 34), the standard's examples as several projects print them (11 10 ...); check value of
the check sum: crccheck.  `tests/controller/link` holds many more, with their sources.
"""

from controller.link.modbus import ModbusServer
from controller.link.modbus_frame import crc16, framed, pause_us, silence_us
from controller.link.refusal import Refused
from controller.link.registers import BLOCKS, words_of

ADDRESS = 17
REQUEST = 202


class Bunch:
    """Whatever attributes it is given."""

    def __init__(self, **values):
        for name, value in values.items():
            setattr(self, name, value)


class Desk:
    """As much of the desk as these cases ask for."""

    def __init__(self):
        self.settings = Bunch(
            bus_address=ADDRESS,
            bus_baud=19200,
            bus_batching=0,
            request_quantity_max=10000,
            sprocket_pockets=7,
            magazine_capacity=250,
            part_name="M4 nut",
        )
        self.identity = ("Tallywheel", "nut", "0", "0.1.0")
        self.unit = Bunch(state=6, mode=1)
        self.ordered = (0, 0)
        self.moves = []

    def busy(self):
        return self.ordered != (0, 0)

    def inputs(self):
        return 15

    def operation(self):
        return 256

    def questionable(self):
        return 0

    def progress(self):
        return self.ordered + (3, 1, 2, 100000, 0)

    def result(self, ticket):
        raise Refused(-230, f"no result for ticket {ticket}")

    def position(self):
        return (1, -42, 0)

    def open_request(self, ticket, quantity):
        if self.busy():
            raise Refused(-221, "busy")
        self.ordered = (ticket, quantity)
        self.moves.append((ticket, quantity))

    def jog(self, ppm):
        self.moves.append(ppm)


class Line:
    """A server and a clock."""

    def __init__(self, batching=0):
        self.desk = Desk()
        self.desk.settings.bus_batching = batching
        self.server = ModbusServer(self.desk, self.desk.settings)
        self.now_us = 0

    def send(self, data, step=256):
        """Feed bytes in pieces, then silence; return what is said."""
        for at in range(0, len(data), step):
            self.server.feed(data[at : at + step], self.now_us)
            self.now_us += 500
        while self.server.deadline_us() is not None:
            self.now_us = max(self.now_us, self.server.deadline_us())
            self.server.poll(self.now_us)
        return self.server.take()

    def ask(self, *pdu):
        """Send one request; return the PDU of the answer."""
        answer = self.send(framed(ADDRESS, bytes(pdu)))
        assert answer[0] == ADDRESS
        assert crc16(answer, 0, len(answer)) == 0
        return answer[1:-2]


def both():
    return Line(0), Line(1)


def test_check_sum():
    assert crc16(b"123456789", 0, 9) == 0x4B37
    assert framed(17, b"\x83\x02") == bytes.fromhex("118302C134")
    assert framed(17, b"\x03\x00\x6b\x00\x03") == bytes.fromhex("1103006B00037687")


def test_silences():
    assert [silence_us(baud) for baud in (1200, 9600, 19200, 38400)] == [32084, 4011, 2006, 1750]
    assert [pause_us(baud) for baud in (1200, 9600, 19200, 38400)] == [13750, 1719, 860, 750]


def test_echo_in_pieces_and_glued():
    echo = bytes.fromhex("11080000A537D81D")
    for line in both():
        for step in (1, 3, 8):
            assert line.send(echo, step) == echo
        assert line.send(echo + echo) == echo + echo
        assert line.send(b"\x00\xff" + echo + b"\x00") == echo


def test_a_pause_spoils():
    line = Line()
    echo = bytes.fromhex("11080000A537D81D")
    line.server.feed(echo[:4], 0)
    line.server.poll(860)
    line.server.feed(echo[4:], 1000)
    line.server.poll(1000 + 2006)
    assert line.server.take() == b""
    line.server.feed(echo, 10000)
    line.server.poll(10000 + 2005)
    assert line.server.take() == b""
    line.server.poll(10000 + 2006)
    assert line.server.take() == echo


def test_wrong_and_foreign():
    for line in both():
        assert line.send(bytes.fromhex("11080000A537D81C")) == b""
        assert line.send(framed(5, bytes([16, 0, 202, 0, 3, 6, 0, 7, 0, 0, 0, 25]))) == b""
        assert line.send(framed(17, b"\x83\x02")) == b""
        assert line.desk.moves == []


def test_a_request_is_one_block():
    line = Line()
    for half in (
        (6, 0, REQUEST, 0, 7),
        (16, 0, REQUEST, 0, 2, 4, 0, 7, 0, 0),
        (16, 0, REQUEST + 1, 0, 2, 4, 0, 0, 0, 25),
    ):
        assert line.ask(*half) == bytes([half[0] | 128, 2])
    assert line.ask(16, 0, REQUEST, 0, 3, 6, 0, 7, 0, 0, 0, 0) == bytes([144, 3])
    assert line.ask(16, 0, REQUEST, 0, 3, 6, 0, 7, 0, 1, 0, 0) == bytes([144, 3])
    assert line.desk.moves == []
    assert line.ask(16, 0, REQUEST, 0, 3, 6, 0, 7, 0, 0, 0, 25) == bytes([16, 0, REQUEST, 0, 3])
    assert line.desk.moves == [(7, 25)]
    assert line.ask(16, 0, REQUEST, 0, 3, 6, 0, 8, 0, 0, 0, 25) == bytes([144, 6])
    assert line.ask(3, 0, 13, 0, 2) == bytes([3, 4, 255, 256 - 221, 0, 3])


def test_types():
    line = Line(1)
    assert line.ask(3, 0, 56, 0, 3) == bytes([3, 6, 0, 1, 255, 255, 255, 256 - 42])
    assert line.ask(4, 0, 23, 0, 2) == bytes([4, 4, 0, 1, 134, 160])
    assert line.ask(16, 0, 207, 0, 2, 4, 255, 255, 255, 254) == bytes([16, 0, 207, 0, 2])
    assert line.desk.moves == [-2]
    assert line.ask(2, 0, 0, 0, 6) == bytes([2, 1, 47])


def test_exceptions_in_order():
    line = Line()
    assert line.ask(65, 1) == bytes([193, 1])
    assert line.ask(3, 200, 0, 0, 126) == bytes([131, 3])
    assert line.ask(3, 200, 0, 0, 125) == bytes([131, 2])
    assert line.ask(5, 200, 0, 1, 0) == bytes([133, 3])
    assert line.ask(8, 0, 13, 0, 0) == bytes([8, 0, 13, 0, 4])


def test_broadcast():
    for line in both():
        assert line.send(framed(0, bytes([16, 0, REQUEST, 0, 3, 6, 0, 7, 0, 0, 0, 25]))) == b""
        assert line.send(framed(0, bytes([3, 0, 0, 0, 1]))) == b""
        assert line.desk.moves == [(7, 25)]


def test_identification():
    line = Line()
    answer = line.ask(43, 14, 4, 6)
    assert answer == bytes([43, 14, 4, 0x83, 0, 0, 1, 6, 6]) + b"M4 nut"
    assert line.ask(17) == bytes([17, 21]) + b"Tallywheel nut 0.1.0" + b"\xff"


def test_the_map_has_no_overlap():
    end = 0
    for block in BLOCKS:
        assert block[0] >= end
        end = block[0] + words_of(block)


def test_noise():
    for line in both():
        state = 1
        noise = bytearray(64)
        for _ in range(60):
            for at in range(64):
                state = (state * 1103515245 + 12345) & 0x7FFFFFFF
                noise[at] = state >> 16 & 0xFF
            line.server.feed(bytes(noise), line.now_us)
        line.send(b"")
        echo = bytes.fromhex("11080000A537D81D")
        assert line.send(echo) == echo
        assert line.desk.moves == []
