"""A noisy line: random bytes and damaged copies of good messages, from a seed.

`run` feeds them, watches that nothing moves that is not well formed, and that a good query is
answered after every burst.  The test uses it for 200,000 bytes, `tests/bench` for ten million.
"""

import random

from controller.link.commands import TREE
from controller.link.scpi import DEVICE_CLEAR
from tests.controller.link.fakefirmware import EXECUTE, WORK_US
from tests.controller.link.grammar import well_formed
from tests.controller.link.line import IDENTITY, Line

BURST_BYTES = 400

GOOD = [
    b"REQ:OPEN 7,25",
    b"REQuest:OPEN #H10, 2.5E1;PROG?;*OPC?",
    b"UNIT:COMM STOP;COMM RES;COMM STAR",
    b"UNIT:MODE MAINtenance;MODE?",
    b"MAIN:JOG -250000;*WAI;JOG 1000",
    b"MAIN:PURG DEF;REG;IND;BEAM;BEAM?",
    b"MAG:LOAD 100;LEV?",
    b"SETT:VAL? 'name';VAL? beam_drop_um",
    b'SYST:HELP:SYNT? "REQ:OPEN"',
    b"*CLS;*ESE 255;*SRE 48;*OPC;*ESR?;*STB?;*TST?",
    b"STAT:OPER:ENAB 768;:STAT:QUES?",
    b"SYST:ERR?;ERR:COUN?;:EVEN?;:*IDN?",
]
GOOD = 5 * GOOD + [  # as many of these as of all headers bare, most of which only ask
    (root + row[0]).replace("[", "").replace("]", "").encode()
    for root, _title, rows in TREE
    for row in rows
]
MOVING = (b"OPEN", b"COMM", b"JOG", b"PURG", b"REG", b"IND")


def burst(rng: random.Random) -> bytes:
    """About BURST_BYTES of noise, ended by a terminator."""
    pieces: list[bytes] = []
    while sum(map(len, pieces)) < BURST_BYTES:
        kind = rng.randrange(10)
        if kind < 3:
            pieces.append(rng.randbytes(rng.randrange(1, 40)))
        else:
            good = rng.choice(GOOD)
            pieces.append(good if kind < 6 else damaged(rng, good))
        pieces.append(rng.choice([b"\n", b"\r\n", b"\n", b"\n\n", b";:", b";", b""]))
    return b"".join(pieces) + b"\n"


def damaged(rng: random.Random, message: bytes) -> bytes:
    """A message after a bad line: bits flipped, bytes lost, doubled or put in."""
    data = bytearray(message)
    for _ in range(rng.randrange(1, 4)):
        at = rng.randrange(len(data)) if data else 0
        kind = rng.randrange(4)
        if kind == 0 and data:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del data[at : at + 1]
        elif kind == 2:
            data[at:at] = data[at : at + rng.randrange(1, 9)]
        else:
            data.insert(at, rng.randrange(256))
    return bytes(data)


def feed_message(line: Line, message: bytes) -> None:
    """Feed one message; what it moves it must have said in good form."""
    line.pass_time(WORK_US)  # nothing holds up the line: what moves, moves now
    line.fw.unit.state = EXECUTE
    line.fw.moves.clear()
    line.feed(message + b"\n")
    while line.fw.busy():
        line.pass_time(WORK_US)
    if line.fw.moves:
        heard = message.rpartition(DEVICE_CLEAR)[2] if DEVICE_CLEAR in message else message
        assert well_formed(heard), message
        assert any(word in heard.upper() for word in MOVING), message


def run(seed: int, total_bytes: int) -> tuple[int, int]:
    """Feed noise; return how many bytes it was and how many calls have moved something."""
    rng = random.Random(seed)
    line = Line()
    fed = moved = 0
    while fed < total_bytes:
        noise = burst(rng)
        fed += len(noise)
        for message in noise.split(b"\n")[:-1]:
            feed_message(line, message)
            moved += len(line.fw.moves)
        assert line.feed(b"*IDN?\n") == IDENTITY
    return fed, moved
