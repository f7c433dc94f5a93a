"""A store for tests on both interpreters: two segments of bytes, and power that goes at any byte.

It is written from the words of `controller.board.ports.Store` alone.  `cut_after` counts bytes: so
many are still written or erased, then `Cut` is raised and everything the unit of the next byte
holds is litter.
"""

SEGMENTS = 2


class Cut(Exception):  # noqa: N818  it is no error of anybody's
    """The power has gone."""


class Memory:
    """`litter(count)` makes the bytes that a cut leaves in a damaged unit."""

    def __init__(self, size_bytes, unit_bytes=1):
        self.size_bytes = size_bytes
        self.unit_bytes = unit_bytes
        self.segments = [bytearray(b"\xff" * size_bytes) for _ in range(SEGMENTS)]
        self.cut_after = None
        self.litter = lambda count: bytes([(91 * place + 7) % 256 for place in range(count)])
        self.writes = 0
        self.erases = 0
        self.bytes_read = 0
        self.broken = False  # what is written does not stay
        self.gone = False  # nothing answers

    def read(self, segment, offset, count):
        assert offset >= 0 and offset + count <= self.size_bytes, (offset, count)
        self.bytes_read += count
        return bytes(self.segments[segment][offset : offset + count])

    def write(self, segment, offset, data):
        self._answer()
        old = self.segments[segment][offset : offset + len(data)]
        assert bytes(old) == b"\xff" * len(data), "written where it is not erased"
        self.writes += 1
        if not self.broken:
            self._change(segment, offset, data)

    def erase(self, segment):
        self._answer()
        self.erases += 1
        self._change(segment, 0, b"\xff" * self.size_bytes)

    def copy(self):
        """What the next power-up finds."""
        other = Memory(self.size_bytes, self.unit_bytes)
        other.segments = [bytearray(segment) for segment in self.segments]
        other.litter = self.litter
        return other

    def _answer(self):
        if self.gone:
            raise OSError(5)  # EIO

    def _change(self, segment, offset, data):
        there = self.segments[segment]
        if self.cut_after is None or len(data) <= self.cut_after:
            there[offset : offset + len(data)] = data
            if self.cut_after is not None:
                self.cut_after -= len(data)
            return
        done = self.cut_after
        there[offset : offset + done] = data[:done]
        start = (offset + done) // self.unit_bytes * self.unit_bytes
        end = min(start + self.unit_bytes, self.size_bytes)
        there[start:end] = self.litter(end - start)
        raise Cut()
