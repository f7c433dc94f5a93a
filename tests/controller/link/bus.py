"""A Modbus line with a server and a small firmware at its end, and a clock that the tests own.

Frames are made with the check sum of pymodbus, which shares nothing with the firmware's.
"""

import struct

from pymodbus.framer import FramerRTU

from controller.link.modbus import ModbusServer
from controller.link.registers import BLOCKS, words_of
from tests.controller.link.fakefirmware import FakeFirmware

ADDRESS = 17  # of the worked examples
SILENCE_US = 2006  # 3.5 characters at 19,200 baud, in whole microseconds
FIRST = {block[1]: block[0] for block in BLOCKS}
REQUEST = FIRST["request"]
GAP_US = 100_000  # longer than any adapter holds back bytes


def frame(pdu: bytes, address: int = ADDRESS) -> bytes:
    """The frame that carries `pdu`."""
    body = bytes([address]) + pdu
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def frames_in(data: bytes) -> list[tuple[int, bytes]]:
    """(address, PDU) of every frame a server can have made, one after the other."""
    found = []
    while data:
        end = next(
            end
            for end in range(4, min(len(data), 256) + 1)
            if frame(data[1 : end - 2], data[0]) == data[:end]
        )
        found.append((data[0], data[1 : end - 2]))
        data = data[end:]
    return found


class Bus:
    """One conversation."""

    def __init__(self, address: int = ADDRESS, baud: int = 19200, batching: int = 0) -> None:
        self.fw = FakeFirmware()
        self.fw.settings.bus_address = address
        self.fw.settings.bus_baud = baud
        self.fw.settings.bus_batching = batching
        self.fw.settings.part_name = "M4 nut"
        self.server = ModbusServer(self.fw, self.fw.settings)
        self.address = address
        self.now_us = 1_000_000

    def hear(self, data: bytes) -> bytes:
        """A look finds bytes; return what is said at once."""
        self.server.feed(data, self.now_us)
        return self.server.take()

    def still(self, us: int = GAP_US) -> bytes:
        """Nothing comes for so long, and the server is polled when it wants to be."""
        end_us = self.now_us + us
        while True:
            due_us = self.server.deadline_us()
            if due_us is None or due_us > end_us:
                break
            self.now_us = due_us
            self.server.poll(due_us)
        self.now_us = end_us
        return self.server.take()

    def send(self, data: bytes) -> bytes:
        """Bytes, then silence; return all that is said."""
        return self.hear(data) + self.still()

    def ask(self, pdu: bytes) -> bytes:
        """Send a request; return the PDU of its one answer."""
        answers = frames_in(self.send(frame(pdu, self.address)))
        assert [address for address, _ in answers] == [self.address]
        return answers[0][1]

    def count(self, sub: int) -> int:
        """A counter of function 8."""
        answer = self.ask(bytes([8, 0, sub, 0, 0]))
        assert answer[:3] == bytes([8, 0, sub])
        return int.from_bytes(answer[3:], "big")


def pdu(function: int, *words: int, data: bytes | None = None) -> bytes:
    """A request of 16-bit words; with data, their byte count and they follow."""
    tail = b"" if data is None else bytes([len(data) & 0xFF]) + data
    return struct.pack(f">B{len(words)}H", function, *words) + tail


def order(ticket: int, quantity: int, start: int = REQUEST) -> bytes:
    return pdu(16, start, 3, data=struct.pack(">HI", ticket, quantity))


def exception(bus: Bus, request: bytes) -> int:
    """The exception a request meets; nothing has moved."""
    before = list(bus.fw.moves)
    answer = bus.ask(request)
    assert answer[0] == request[0] | 0x80 and len(answer) == 2, answer
    assert bus.fw.moves == before
    return answer[1]


def read(bus: Bus, name: str) -> bytes:
    """The registers of a block."""
    block = next(block for block in BLOCKS if block[1] == name)
    answer = bus.ask(pdu(3, block[0], words_of(block)))
    assert answer[:2] == bytes([3, 2 * words_of(block)])
    return answer[2:]
