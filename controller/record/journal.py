"""The journal: records appended to memory that outlives the power, and found again.

Theory of operation
-------------------
A record is a sequence number, the length and kind of its payload, the payload, and a CRC-32 over
all of them.  It begins at a boundary of the store's unit, which is what a cut may damage, so that
a write that is torn never harms an older record.  It is read back before it counts.  Behind a torn
one a gap stays erased: where only its last byte is missing, the first byte of the next record may
be just that one, and would bring it back to life.

    segment   | snapshot, seal | record ... | record ... | torn | record ... |  erased
                 generation n    each at a unit boundary

Nothing in the store says how much of it is used.  At power-up a segment is walked from its start:
a record counts only if its CRC fits and its sequence number is above the last one.  What is torn,
zero-filled, written in the wrong order within a block, doubled, or left over from an older
generation fails one of the two, and the walk goes on behind it, up to the last byte in use.

When a segment is full its owner hands over a snapshot: the few records that say the same as all
of them.  It goes into the other segment, freshly erased, and ends with a seal, which holds the
number of the generation and of the records before it.  A segment counts only if its snapshot is
whole and sealed; of two that are, the one with the higher sequence numbers wins.  So up to the last
byte that is missing the old segment holds, and from then on the new one does.  Power-up writes
nothing and may be cut like anything.

No cut leaves a record behind a snapshot that is not whole, or one missing between two: then memory
has decayed.  What can be read is taken, from the older segment first, and `damaged` says so; what
is left of the snapshot then says again what has been said.

Bounds: a payload has at most 255 bytes, and a walk reads every byte of a segment at most a fixed
number of times.
"""

import struct
from binascii import crc32

_HEAD = "<IBB"  # sequence number, bytes of payload, kind
_CRC = "<I"
_SEAL = "<IH"  # generation, records before it
HEAD_BYTES = struct.calcsize(_HEAD)
CRC_BYTES = struct.calcsize(_CRC)
SEAL = 0  # the kind that is the journal's own; others are 1 to 127
OF_SNAPSHOT = 128  # added to the kind of a record that stands before a seal
SEAL_BYTES = HEAD_BYTES + struct.calcsize(_SEAL) + CRC_BYTES  # of its whole record
ERASED_WORD = 0xFFFFFFFF  # what is erased is no record, and needs no CRC to tell
# A torn record that lacks more than its CRC can be made whole by what follows once in 2^32 only.
TORN_GAP_BYTES = CRC_BYTES
CHUNK_BYTES = 256  # read at a time when looking for the end of what is used


def framed(sequence, kind, payload):
    """Return one record as it stands in the store."""
    body = struct.pack(_HEAD, sequence, len(payload), kind) + payload
    return body + struct.pack(_CRC, crc32(body))


def framed_bytes(payload_bytes):
    """Return how long a record with so much payload is."""
    return HEAD_BYTES + payload_bytes + CRC_BYTES


def span(count, unit_bytes):
    """Return the bytes that `count` bytes take up when the next ones begin at a unit boundary."""
    return (count + unit_bytes - 1) // unit_bytes * unit_bytes


class Journal:
    """Records in a `controller.board.ports.Store`. Call `replay` once before anything else."""

    def __init__(self, store, snapshot_bytes):
        """`snapshot_bytes`: the most that a snapshot and its seal may take up."""
        self._store = store
        self._snapshot_bytes = snapshot_bytes
        self.generation = 0  # snapshots written so far; every second one erased the same segment
        self.damaged = False  # something is there that no cut explains: records may be lost
        self._segment = 1  # so that the first snapshot goes into segment 0
        self._offset = store.size_bytes  # where the next record goes; here: nowhere
        self._sequence = 0  # of the last record

    def replay(self, take):
        """Find what the store holds; call `take(kind, payload)` for each record, oldest first."""
        starts: list = []
        for segment in (0, 1):
            start = self._find_start(segment)
            if start is not None:
                starts.append(start)
        if not starts:
            self.damaged = self._used_end(0) + self._used_end(1) > 0
            return
        starts.sort()
        if not starts[-1][1]:
            self.damaged = True
            for start in starts[:-1]:
                self._walk(start, take)
        self._walk(starts[-1], take)

    def append(self, kind, payload):
        """Write one record. False if there is no room left for it or the store does not keep it."""
        record = framed(self._sequence + 1, kind, payload)
        offset = self._offset
        if offset + len(record) > self._store.size_bytes:
            return False
        # Neither place nor number is used again where a write has failed: it may yet be read.
        self._offset = span(offset + len(record), self._store.unit_bytes)
        self._sequence += 1
        return self._write(self._segment, offset, record)

    def compact(self, records):
        """Begin anew in the other segment with `records`, (kind, payload) each.

        False if they find no room or the store does not keep them.  The old segment then holds, and
        takes no more records: the new one may yet be read, and would win.
        """
        target = 1 - self._segment
        sequence = self._sequence
        data = b""
        for kind, payload in records:
            sequence += 1
            data += framed(sequence, kind | OF_SNAPSHOT, payload)
        sequence += 1
        data += framed(sequence, SEAL, struct.pack(_SEAL, self.generation + 1, len(records)))
        self._offset = self._store.size_bytes
        if len(data) > self._store.size_bytes or not self._write(target, 0, data, True):
            return False
        self.generation += 1
        self._segment = target
        self._sequence = sequence
        self._offset = span(len(data), self._store.unit_bytes)
        return True

    # ---- reading --------------------------------------------------------------------------------

    def _find_start(self, segment):
        """Return where a segment's own records start, or None if it was never sealed.

        As (sequence number before them, snapshot whole, segment, offset).  Where the snapshot is
        not whole a record behind it tells that it was once.
        """
        offset = 0
        count = 0
        first = 0
        holes = False
        last = min(span(self._snapshot_bytes, self._store.unit_bytes), self._used_end(segment))
        while offset <= last:  # nothing begins where all is erased
            record = self._record_at(segment, offset)
            if record is None:
                holes = True
                offset += 1
                continue
            sequence, kind, payload = record
            end = offset + framed_bytes(len(payload))
            if kind == SEAL:
                _, records = struct.unpack(_SEAL, payload)
                if not holes and count == records and sequence - first == records:
                    return sequence, True, segment, end
                holes = True
            elif not kind & OF_SNAPSHOT:
                return sequence - 1, False, segment, offset
            first = first or sequence
            count += 1
            offset = end
        return None

    def _walk(self, start, take):
        """Take the records of a sealed segment, and find where its next one goes."""
        _, _, segment, snapshot_end = start
        unit = self._store.unit_bytes
        used_end = self._used_end(segment)
        offset = 0
        torn = False  # what stands last is no whole record
        while offset < used_end:
            record = self._record_at(segment, offset)
            torn = record is None or record[0] <= self._sequence
            if torn:
                offset += 1
            else:
                sequence, kind, payload = record
                if offset >= snapshot_end and sequence != self._sequence + 1:
                    self.damaged = True
                self._sequence = sequence
                offset += framed_bytes(len(payload))
                if kind == SEAL:
                    self.generation, _ = struct.unpack(_SEAL, payload)
                else:
                    take(kind & ~OF_SNAPSHOT, payload)
            if offset >= snapshot_end:
                offset = span(offset, unit)
        self._segment = segment
        self._offset = span(used_end + TORN_GAP_BYTES, unit) if torn else offset

    def _record_at(self, segment, offset):
        """Return (sequence number, kind, payload) of a record that is whole, or None."""
        store = self._store
        if offset + HEAD_BYTES + CRC_BYTES > store.size_bytes:
            return None
        head = store.read(segment, offset, HEAD_BYTES)
        sequence, length, kind = struct.unpack(_HEAD, head)
        if sequence == ERASED_WORD:
            return None
        offset += HEAD_BYTES
        if offset + length + CRC_BYTES > store.size_bytes:
            return None
        body = store.read(segment, offset, length + CRC_BYTES)
        payload = body[:length]
        if struct.unpack(_CRC, body[length:])[0] != crc32(payload, crc32(head)):
            return None
        return sequence, kind, payload

    def _used_end(self, segment):
        """Return the end of the last byte that is not erased; 0 if there is none."""
        end = self._store.size_bytes
        while end > 0:
            start = max(0, end - CHUNK_BYTES)
            chunk = self._store.read(segment, start, end - start).rstrip(b"\xff")
            if chunk:
                return start + len(chunk)
            end = start
        return 0

    # ---- writing --------------------------------------------------------------------------------

    def _write(self, segment, offset, data, erase_first=False):
        """Write and read back; True if the store holds what it was told."""
        store = self._store
        try:
            if erase_first:
                store.erase(segment)
            store.write(segment, offset, data)
            return store.read(segment, offset, len(data)) == data
        except OSError:  # memory on a bus that does not answer
            return False
