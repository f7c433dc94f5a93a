"""Wire format of lock-step rounds between a host and a firmware in a child process.

Theory of operation
-------------------
Every message is a 32-bit length and that many bytes, little-endian; the first byte says what it
is.  The host sends BOOT (settings as JSON, the time) once for each firmware it wants, then
ROUND after ROUND; each is answered by one REPLY.  QUIT, or the end of the pipe, ends the child.
Both ends use the functions below, so the format is written down once.
"""

import struct
from array import array

from controller.board.lockstep import START
from controller.motion.words import Move

BOOT = 66  # "B"
ROUND = 82  # "R"
REPLY = 89  # "Y"
QUIT = 81  # "Q"

LENGTH = "<I"
_ROUND = "<BqBBIBIHHH"  # kind, now, levels, flags, issued, blocked, lost, edges, changes, bytes
_STAMP = "<qB"
_REPLY = "<BqHHH"  # kind, deadline, orders, notes, bytes
_ORDER = "<BI"
_MOVE = "<bIIHH"  # direction, cruise steps, cruise ticks, words of head and tail
_NOTE = "<qBqq"
_ROUND_BYTES = struct.calcsize(_ROUND)
_STAMP_BYTES = struct.calcsize(_STAMP)
_REPLY_BYTES = struct.calcsize(_REPLY)
_ORDER_BYTES = struct.calcsize(_ORDER)
_MOVE_BYTES = struct.calcsize(_MOVE)
_NOTE_BYTES = struct.calcsize(_NOTE)


def framed(body):
    """Return `body` with its length in front."""
    return struct.pack(LENGTH, len(body)) + body


def pack_boot(now_us, settings_json):
    """Return a BOOT body."""
    return struct.pack("<Bq", BOOT, now_us) + settings_json.encode()


def unpack_boot(body):
    """Return (now_us, settings as JSON text)."""
    return struct.unpack_from("<q", body, 1)[0], body[9:].decode()


def pack_round(now_us, levels, flags, issued, blocked, lost, edges, changes, heard):
    """Return a ROUND body; `edges` and `changes` are lists of (time_us, number)."""
    parts = [
        struct.pack(
            _ROUND,
            ROUND,
            now_us,
            levels,
            flags,
            issued,
            blocked,
            lost,
            len(edges),
            len(changes),
            len(heard),
        )
    ]
    for stamp in edges:
        parts.append(struct.pack(_STAMP, stamp[0], stamp[1]))
    for stamp in changes:
        parts.append(struct.pack(_STAMP, stamp[0], stamp[1]))
    parts.append(heard)
    return b"".join(parts)


def show_round(body, picture):
    """Fill `picture` (a Lockstep) in from a ROUND body."""
    fields = struct.unpack_from(_ROUND, body, 0)
    picture.show(fields[1], fields[2], fields[3], fields[4], fields[5], fields[6])
    place = _ROUND_BYTES
    for _ in range(fields[7]):
        picture.beam.edges.append(struct.unpack_from(_STAMP, body, place))
        place += _STAMP_BYTES
    for _ in range(fields[8]):
        picture.inputs.changes.append(struct.unpack_from(_STAMP, body, place))
        place += _STAMP_BYTES
    picture.heard = body[place : place + fields[9]]


def pack_reply(deadline_us, picture):
    """Return a REPLY body with what the round has put down in `picture`, and empty it."""
    parts = [
        struct.pack(
            _REPLY, REPLY, deadline_us, len(picture.orders), len(picture.notes), len(picture.said)
        )
    ]
    for code, argument in picture.orders:
        if code == START:
            argument_bytes = _pack_move(argument)
        else:
            argument_bytes = struct.pack("<I", argument)
        parts.append(struct.pack(_ORDER, code, len(argument_bytes)))
        parts.append(argument_bytes)
    for time_us, kind, a, b in picture.notes:
        parts.append(struct.pack(_NOTE, time_us, kind, a, b))
    parts.append(picture.said)
    picture.orders.clear()
    picture.notes.clear()
    picture.said = b""
    return b"".join(parts)


def unpack_reply(body):
    """Return (deadline_us, orders, notes, said) of a REPLY body."""
    _, deadline_us, order_count, note_count, said_count = struct.unpack_from(_REPLY, body, 0)
    place = _REPLY_BYTES
    orders = []
    for _ in range(order_count):
        code, length = struct.unpack_from(_ORDER, body, place)
        place += _ORDER_BYTES
        if code == START:
            argument = _unpack_move(body, place)
        else:
            argument = struct.unpack_from("<I", body, place)[0]
        orders.append((code, argument))
        place += length
    notes = []
    for _ in range(note_count):
        notes.append(struct.unpack_from(_NOTE, body, place))
        place += _NOTE_BYTES
    return deadline_us, orders, notes, body[place : place + said_count]


def _pack_move(move):
    return (
        struct.pack(
            _MOVE,
            move.direction,
            move.cruise_steps,
            move.cruise_ticks,
            len(move.head),
            len(move.tail),
        )
        + bytes(move.head)
        + bytes(move.tail)
    )


def _unpack_move(body, place):
    direction, cruise_steps, cruise_ticks, heads, tails = struct.unpack_from(_MOVE, body, place)
    place += _MOVE_BYTES
    head = array("I", body[place : place + 4 * heads])
    place += 4 * heads
    return Move(
        direction, head, cruise_steps, cruise_ticks, array("I", body[place : place + 4 * tails])
    )
