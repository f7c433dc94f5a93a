"""Wire format of lock-step rounds between a host and a firmware in a child process.

Theory of operation
-------------------
Every message is a 32-bit length and that many bytes, little-endian; the first byte says what it
is.  The host sends BOOT (time, store, settings as JSON) once for each firmware it wants, then
ROUND after ROUND.  Each of them, BOOT too, is answered by one REPLY.  QUIT, or the end of the
pipe, ends the child.  MEMORY asks for the heap in use and free, after a collection, and is answered
by two 32-bit numbers.  Both ends use the functions below, so the format is written down once.
"""

import struct
from array import array

from controller.board.lockstep import START, WRITE, Lockstep
from controller.motion.words import Move

BOOT = 66  # "B"
ROUND = 82  # "R"
REPLY = 89  # "Y"
QUIT = 81  # "Q"
MEMORY = 77  # "M"

LENGTH = "<I"
HEAP = "<II"  # bytes in use, bytes free
_BOOT = "<BqIIII"  # kind, now, bytes of a segment, its unit, bytes in use of each segment
_ROUND = "<BqBBIBIIIII"  # kind, now, levels, flags, issued, blocked, lost, edges, changes, bytes
_STAMP = "<qB"
_REPLY = "<BqIIII"  # kind, deadline, orders, notes, bytes for line and bus
_ORDER = "<BI"
_MOVE = "<bIIII"  # direction, cruise steps, cruise ticks, words of head and tail
_WRITE = "<BI"  # segment, offset
_NOTE = "<qBqq"
_BOOT_BYTES = struct.calcsize(_BOOT)
_ROUND_BYTES = struct.calcsize(_ROUND)
_STAMP_BYTES = struct.calcsize(_STAMP)
_REPLY_BYTES = struct.calcsize(_REPLY)
_ORDER_BYTES = struct.calcsize(_ORDER)
_MOVE_BYTES = struct.calcsize(_MOVE)
_WRITE_BYTES = struct.calcsize(_WRITE)
_NOTE_BYTES = struct.calcsize(_NOTE)


def framed(body):
    """Return `body` with its length in front."""
    return struct.pack(LENGTH, len(body)) + body


def pack_boot(now_us, segments, unit_bytes, settings_json):
    """Return a BOOT body; erased ends of the two segments are left out."""
    used = [bytes(segment).rstrip(b"\xff") for segment in segments]
    head = struct.pack(
        _BOOT, BOOT, now_us, len(segments[0]), unit_bytes, len(used[0]), len(used[1])
    )
    return head + used[0] + used[1] + settings_json.encode()


def unpack_boot(body):
    """Return (a Lockstep, settings as JSON text)."""
    _, now_us, size, unit_bytes, first, second = struct.unpack_from(_BOOT, body, 0)
    place = _BOOT_BYTES
    segments = []
    for used in (first, second):
        segments.append(body[place : place + used] + b"\xff" * (size - used))
        place += used
    return Lockstep(now_us, segments, unit_bytes), body[place:].decode()


def pack_round(now_us, levels, drive, beam, edges, changes, heard):
    """Return a ROUND body.

    `drive`: (flags, issued); `beam`: (blocked, lost); `edges`, `changes`: lists of (time_us,
    number); `heard`: bytes for (line, bus).
    """
    parts = [
        struct.pack(
            _ROUND,
            ROUND,
            now_us,
            levels,
            drive[0],
            drive[1],
            beam[0],
            beam[1],
            len(edges),
            len(changes),
            len(heard[0]),
            len(heard[1]),
        )
    ]
    for stamp in edges:
        parts.append(struct.pack(_STAMP, stamp[0], stamp[1]))
    for stamp in changes:
        parts.append(struct.pack(_STAMP, stamp[0], stamp[1]))
    return b"".join(parts) + heard[0] + heard[1]


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
    middle = place + fields[9]
    picture.line.heard = body[place:middle]
    picture.bus.heard = body[middle : middle + fields[10]]


def pack_reply(deadline_us, picture):
    """Return a REPLY body with what the round has put down in `picture`, and empty it."""
    line, bus = picture.line.said, picture.bus.said
    parts = [
        struct.pack(
            _REPLY,
            REPLY,
            deadline_us,
            len(picture.orders),
            len(picture.notes),
            len(line),
            len(bus),
        )
    ]
    for code, argument in picture.orders:
        packed = _pack_argument(code, argument)
        parts.append(struct.pack(_ORDER, code, len(packed)))
        parts.append(packed)
    for time_us, kind, a, b in picture.notes:
        parts.append(struct.pack(_NOTE, time_us, kind, a, b))
    parts.append(line)
    parts.append(bus)
    picture.clear()
    return b"".join(parts)


def unpack_reply(body):
    """Return (deadline_us, orders, notes, (bytes for line, bytes for bus)) of a REPLY body."""
    _, deadline_us, order_count, note_count, line, bus = struct.unpack_from(_REPLY, body, 0)
    place = _REPLY_BYTES
    orders = []
    for _ in range(order_count):
        code, length = struct.unpack_from(_ORDER, body, place)
        place += _ORDER_BYTES
        orders.append((code, _unpack_argument(code, body[place : place + length])))
        place += length
    notes = []
    for _ in range(note_count):
        notes.append(struct.unpack_from(_NOTE, body, place))
        place += _NOTE_BYTES
    middle = place + line
    return deadline_us, orders, notes, (body[place:middle], body[middle : middle + bus])


def _pack_argument(code, argument):
    if code == START:
        head = struct.pack(
            _MOVE,
            argument.direction,
            argument.cruise_steps,
            argument.cruise_ticks,
            len(argument.head),
            len(argument.tail),
        )
        return head + bytes(argument.head) + bytes(argument.tail)
    if code == WRITE:
        return struct.pack(_WRITE, argument[0], argument[1]) + argument[2]
    return struct.pack("<I", argument)


def _unpack_argument(code, body):
    if code == START:
        direction, cruise_steps, cruise_ticks, heads, tails = struct.unpack_from(_MOVE, body, 0)
        middle = _MOVE_BYTES + 4 * heads
        head = array("I", body[_MOVE_BYTES:middle])
        tail = array("I", body[middle : middle + 4 * tails])
        return Move(direction, head, cruise_steps, cruise_ticks, tail)
    if code == WRITE:
        segment, offset = struct.unpack_from(_WRITE, body, 0)
        return segment, offset, body[_WRITE_BYTES:]
    return struct.unpack_from("<I", body, 0)[0]
