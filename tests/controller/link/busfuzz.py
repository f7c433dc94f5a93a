"""A noisy bus: random bytes, and good frames damaged on the way, from a seed.

`run` feeds them and watches that nothing moves unless a whole frame with a right check sum, to
this module or to all, has come since the last silence, and that a good request is answered after
the next one.  The test runs it for 10^5 frames, `tests/bench` for 10^6.
"""

import random
import struct

from tests.controller.link.bus import ADDRESS, Bus, frame
from tests.controller.link.fakefirmware import EXECUTE, WORK_US
from tests.controller.link.test_modbus_functions import COMMAND, FIRST, REQUEST, order, pdu

GOOD = [
    order(7, 25),
    order(8, 1),
    pdu(6, COMMAND, 3),
    pdu(6, COMMAND, 8),
    pdu(16, FIRST["jog"], 2, data=struct.pack(">i", -250000)),
    pdu(6, FIRST["purge"], 7),
    pdu(5, 1, 0xFF00),
    pdu(15, 0, 6, data=b"\x10"),
    pdu(23, 0, 66, REQUEST, 3, data=struct.pack(">HI", 9, 2)),
    pdu(3, 0, 66),
    pdu(4, 100, 31),
    pdu(2, 0, 17),
    pdu(1, 0, 6),
    pdu(8, 0, 0xA537),
    b"\x11",
    b"\x2b\x0e\x02\x00",
    pdu(22, 4, 0xF2, 0x25),
    pdu(65, 1, 2),
]
FRAMES = [frame(request) for request in GOOD]
FRAMES += [frame(request, 0) for request in GOOD[:9]]
FRAMES += [frame(request, 5) for request in GOOD]
FRAMES += [frame(b"\x03\x08" + FRAMES[9], 5), frame(b"\x10" + GOOD[0][1:5], 5)]
WRITES = {5, 6, 15, 16, 23}
CHECK_EVERY = 4  # frames


def damaged(rng: random.Random, data: bytes) -> bytes:
    """A frame after a bad line: bits flipped, bytes lost, doubled or put in, or cut short."""
    spoilt = bytearray(data)
    for _ in range(rng.randrange(1, 4)):
        at = rng.randrange(len(spoilt)) if spoilt else 0
        kind = rng.randrange(5)
        if kind == 0 and spoilt:
            spoilt[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del spoilt[at : at + 1]
        elif kind == 2:
            spoilt[at:at] = spoilt[at : at + rng.randrange(1, 9)]
        elif kind == 3:
            spoilt.insert(at, rng.randrange(256))
        else:
            del spoilt[at:]
    return bytes(spoilt)


def one(rng: random.Random) -> bytes:
    """One frame of the noisy bus."""
    kind = rng.random()
    if kind < 0.15:
        return rng.randbytes(rng.randrange(1, 40))
    if kind < 0.2:
        return rng.choice(FRAMES)
    return damaged(rng, rng.choice(FRAMES))


def justified(heard: bytes) -> bool:
    """Whether `heard` holds a whole frame that may move something."""
    for start in range(len(heard) - 7):
        if heard[start] in (0, ADDRESS) and heard[start + 1] in WRITES:
            for end in range(start + 8, min(len(heard), start + 256) + 1):
                if frame(heard[start + 1 : end - 2], heard[start]) == heard[start:end]:
                    return True
    return False


class NoisyBus:
    """A bus under noise, in one of the two ways to frame."""

    def __init__(self, batching: int) -> None:
        self.bus = Bus(batching=batching)
        self.heard = b""  # since the last silence
        self.moved = 0

    def say(self, data: bytes, pause_us: int) -> bytes:
        """Bytes and a pause; whatever they move they must have said in good form."""
        bus = self.bus
        bus.fw.advance(WORK_US)
        bus.fw.unit.state = EXECUTE
        self.heard = (self.heard + data)[-1024:]
        answers = (bus.hear(data) if data else b"") + bus.still(pause_us)
        if bus.fw.moves:
            assert justified(self.heard), self.heard.hex(" ")
            self.moved += len(bus.fw.moves)
            bus.fw.moves.clear()
        if pause_us >= 100_000:
            self.heard = b""
        return answers

    def check(self, number: int) -> None:
        """After a silence, a good request is answered and nothing else is said."""
        self.say(b"", 100_000)
        echo = frame(pdu(8, 0, number & 0xFFFF))
        assert self.say(echo, 100_000) == echo


def run(seed: int, frames: int) -> int:
    """Feed so many frames; return how many calls have moved something."""
    rng = random.Random(seed)
    buses = (NoisyBus(0), NoisyBus(1))
    for number in range(frames):
        noisy = buses[number & 1]
        data = one(rng)
        cut = rng.randrange(len(data) + 1) if rng.random() < 0.1 else 0
        if cut:
            noisy.say(data[:cut], rng.choice((0, 500, 1000, 3000)))
        noisy.say(data[cut:], rng.choice((0, 0, 1500, 3000, 3000)))
        if number % CHECK_EVERY < 2:
            noisy.check(number)
    return buses[0].moved + buses[1].moved
