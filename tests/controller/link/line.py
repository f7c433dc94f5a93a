"""A line with a server and a small firmware at its end, and the three ways of feeding it.

Every case of the tests is fed whole, byte by byte, and with the beginning of another message behind
it; what comes out, what the error queue holds and what has moved must not depend on that.
"""

from collections.abc import Callable

from controller.link.scpi import ScpiServer
from tests.controller.link.fakefirmware import FakeFirmware

IDENTITY = b"Tallywheel,m4_ nut,0,0.1.0\n"


class Line:
    """One conversation."""

    def __init__(self) -> None:
        self.fw = FakeFirmware()
        self.server = ScpiServer(self.fw)
        self.now_us = 0

    def feed(self, data: bytes) -> bytes:
        self.server.feed(data)
        return self.server.take()

    def ask(self, message: str) -> str:
        """Send one message and return the response message without its terminator."""
        return self.feed(message.encode() + b"\n").decode().removesuffix("\n")

    def pass_time(self, us: int) -> str:
        """Let time pass; return what comes of it."""
        self.now_us += us
        self.fw.advance(us)
        self.server.poll(self.now_us)
        return self.server.take().decode().removesuffix("\n")

    def errors(self) -> list[tuple[int, str]]:
        """Empty the error queue, past the parser."""
        found = []
        while self.server.errors.count():
            found.append(self.server.errors.pop())
        return found


def whole(line: Line, data: bytes) -> bytes:
    return line.feed(data)


def byte_by_byte(line: Line, data: bytes) -> bytes:
    return b"".join(line.feed(data[at : at + 1]) for at in range(len(data)))


def with_trailing_bytes(line: Line, data: bytes) -> bytes:
    out = line.feed(data + b"*ID")
    if not line.fw.busy():
        assert line.feed(b"N?\n") == IDENTITY, "what trailed must still be understood"
    return out


WAYS = (whole, byte_by_byte, with_trailing_bytes)


def talk(data: bytes, prepare: Callable[[Line], object] = lambda line: None) -> tuple:
    """Feed whole messages in all three ways; return (output, errors, moves), the same in each."""
    seen = []
    for way in WAYS:
        line = Line()
        prepare(line)
        out = way(line, data)
        seen.append((out, line.errors(), line.fw.moves))
    assert seen[0] == seen[1] == seen[2]
    return seen[0]


def answer(message: str) -> str:
    """Return the response to one message that must leave no error."""
    out, errors, _ = talk(message.encode() + b"\n")
    assert errors == []
    return out.decode().removesuffix("\n")


def error(message: str) -> tuple[int, str]:
    """Return the one error of a message that must answer nothing and move nothing."""
    out, errors, moves = talk(message.encode("latin-1") + b"\n")
    assert (out, moves) == (b"", [])
    assert len(errors) == 1
    return errors[0]
