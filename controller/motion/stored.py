"""Stored words: planned moves as bytes, so that a board need not plan what a host has planned.

Theory of operation
-------------------
The words of a move follow from the limits alone and are the same on every interpreter.  A host can
therefore plan them ahead and send them along:

    header    magic, version, moves, velocity, acceleration, jerk
    per move  steps, words of its head, the words
    seal      CRC-32 of all that

The tail is the head backwards; where the number of steps is odd, the last word of the head is the
interval across the middle and has no twin.  Bytes that are damaged, of another version or planned
for other limits are of no use, but no reason to stop either: whoever reads them plans anew.
"""

import struct
from array import array
from binascii import crc32

from controller.motion.words import Move, mirrored

_MAGIC = b"TWpw"
_VERSION = 1
_HEADER = "<4sHHIIQ"
_MOVE = "<II"
_SEAL = "<I"
_HEADER_BYTES = struct.calcsize(_HEADER)
_MOVE_BYTES = struct.calcsize(_MOVE)
_SEAL_BYTES = 4


def pack_moves(limits, moves) -> bytes:
    """Return `moves` without cruise, planned within `limits` (steps per s, s^2, s^3), as bytes."""
    parts = [struct.pack(_HEADER, _MAGIC, _VERSION, len(moves), *limits)]
    for move in moves:
        parts.append(struct.pack(_MOVE, move.steps, len(move.head)))
        parts.append(bytes(move.head))
    data = b"".join(parts)
    return data + struct.pack(_SEAL, crc32(data))


def unpack_moves(data, limits, cruise_ticks):
    """Return the moves in `data`, forward; [] unless it is whole and was planned for `limits`."""
    end = len(data) - _SEAL_BYTES
    if end < _HEADER_BYTES or struct.unpack_from(_SEAL, data, end)[0] != crc32(data[:end]):
        return []
    magic, version, count, velocity, acceleration, jerk = struct.unpack_from(_HEADER, data, 0)
    if (magic, version) != (_MAGIC, _VERSION) or (velocity, acceleration, jerk) != tuple(limits):
        return []
    moves = []
    place = _HEADER_BYTES
    for _ in range(count):
        steps, words = struct.unpack_from(_MOVE, data, place)
        place += _MOVE_BYTES
        head = array("I", data[place : place + 4 * words])
        place += 4 * words
        tail = mirrored(head[: words - steps % 2])
        moves.append(Move(1, head, 0, cruise_ticks, tail))
    return moves
