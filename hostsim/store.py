"""The store of a simulated module: memory that outlives the power, and what a cut does to it.

Theory of operation
-------------------
Two segments of bytes, erased to 0xFF, written where they are erased.  A cut can be planned for any
operation: `cut_at = (number, bytes_done)` lets that many operations through whole, and the next
one only up to `bytes_done` of its bytes; then it raises `PowerCut`.  What the cut leaves behind
depends on the kind of memory: byte-addressable memory keeps the bytes already written and has
garbage in the one being written; flash loses every unit (page or block) that the write touched.

A store may be kept in a file, so that a served module can be unplugged and plugged in again.  The
file is locked while it is in use: two modules that wrote into one memory would lose both records.
The system lifts the lock of a process that is killed.
"""

import fcntl
import random
from io import FileIO
from pathlib import Path

from hostsim.named import named, replacing

ERASED = b"\xff"
SEGMENTS = 2


class PowerCut(Exception):  # noqa: N818  it is no error of anybody's
    """The power went in the middle of a store operation."""


def garbage(segment: int, offset: int, count: int) -> bytes:
    """Bytes that mean nothing, the same for the same place."""
    return random.Random(offset * SEGMENTS + segment).randbytes(count)


class SimStore:
    """Two segments of `size_bytes`; `unit_bytes` as in `controller.board.ports.Store`."""

    def __init__(self, size_bytes: int = 65_536, unit_bytes: int = 1, path: Path | None = None):
        """`path`: the file that keeps it, made if need be.

        ValueError if its size does not fit, BlockingIOError if another store is kept there now.
        """
        self.size_bytes = size_bytes
        self.unit_bytes = unit_bytes
        self.segments = [bytearray(ERASED * size_bytes) for _ in range(SEGMENTS)]
        self.writes = 0
        self.erases = 0  # of whole segments
        self.cut_at: tuple[int, int] | None = None
        self.litter = garbage  # what a cut leaves in damaged units: (segment, offset, count)
        self._file = None if path is None else self._load(path)

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            self._file.close()

    def _load(self, path: Path) -> FileIO:
        if not path.exists():
            with replacing(path) as fresh:  # never a file of half the size
                fresh.write_bytes(b"".join(self.segments))
        file = path.open("r+b", buffering=0)
        try:
            with named(path):
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self._take(path, file.readall())
        except BaseException:
            file.close()
            raise
        return file

    def _take(self, path: Path, image: bytes) -> None:
        size = self.size_bytes
        if len(image) != SEGMENTS * size:
            raise ValueError(f"{path} is {len(image)} bytes, not the {SEGMENTS * size} of a store")
        for number in range(SEGMENTS):
            self.segments[number][:] = image[number * size : (number + 1) * size]

    def read(self, segment: int, offset: int, count: int) -> bytes:
        """Bytes as they stand."""
        return bytes(self.segments[segment][offset : offset + count])

    @property
    def operations(self) -> int:
        """Writes and erases carried out."""
        return self.writes + self.erases

    def write(self, segment: int, offset: int, data: bytes) -> None:
        """Write over erased bytes. ValueError if they are not, or do not exist."""
        end = offset + len(data)
        if end > self.size_bytes or self.segments[segment][offset:end].strip(ERASED):
            raise ValueError(f"{len(data)} bytes at {segment}:{offset} are not all erased memory")
        done = self._cut(len(data))
        if done is None:
            self.segments[segment][offset:end] = data
            self.writes += 1
            self._keep(segment, offset, end)
            return
        self.segments[segment][offset : offset + done] = data[:done]
        self._damage(segment, offset + done if self.unit_bytes == 1 else offset, end)
        raise PowerCut

    def erase(self, segment: int) -> None:
        """Set a segment to 0xFF."""
        done = self._cut(self.size_bytes)
        if done is None:
            self.segments[segment][:] = ERASED * self.size_bytes
            self.erases += 1
            self._keep(segment, 0, self.size_bytes)
            return
        self.segments[segment][:done] = ERASED * done
        self._damage(segment, done, min(done + 1, self.size_bytes))
        raise PowerCut

    def _cut(self, length: int) -> int | None:
        """Bytes done when the power goes in this operation; None if it does not."""
        if self.cut_at is None or self.operations != self.cut_at[0]:
            return None
        done = min(self.cut_at[1], length)
        self.cut_at = None
        return done

    def _damage(self, segment: int, start: int, end: int) -> None:
        """Leave litter in the units from `start` to `end`."""
        unit = self.unit_bytes
        if unit == 1:
            end = min(start + 1, end)
        first = start // unit * unit
        last = min(-(-end // unit) * unit, self.size_bytes)
        self.segments[segment][first:last] = self.litter(segment, first, last - first)
        self._keep(segment, 0, self.size_bytes)

    def _keep(self, segment: int, first: int, last: int) -> None:
        """Put these bytes into the file as well, at once: to kill the process is a cut."""
        if self._file is not None:
            with named(Path(self._file.name)):
                self._file.seek(segment * self.size_bytes + first)
                self._file.write(self.segments[segment][first:last])
