"""Wear: how often a module's store is written and erased, and how long it lasts.

Theory of operation
-------------------
What a request writes follows from the checkpoint (`controller.record.book`): one record when it
opens, one when it closes, and one between two of its stages.  A record takes up whole units.  When
a segment is full the other one is erased and begins with a snapshot, on which the record rides that
had no room.  So every block of a segment is erased once in two such generations, however much or
little of it has been written since.

Loads of the magazine, new sprockets and stray parts have records too, but few; they are left out.
"""

from dataclasses import dataclass

from controller.record.book import RECORD_BYTES, SNAPSHOT_BYTES
from controller.record.journal import span

SEGMENT_BYTES = 65_536  # of the two; what the simulated module has
REQUESTS_H = 60  # one a minute, round the clock: a busy cell
HOURS_A_YEAR = 8_766


@dataclass(frozen=True)
class Memory:
    """A kind of memory: what a cut may damage, what is erased at a time, and how often."""

    name: str
    unit_bytes: int
    block_bytes: int
    cycles: int


MEMORIES = (
    # Serial NOR flash, e.g. W25Q16: pages of 256 bytes, sectors of 4096, 100,000 cycles each.
    Memory("flash by pages", 256, 4096, 100_000),
    # The same below a file system that rewrites whole blocks.
    Memory("flash by blocks", 4096, 4096, 100_000),
    # Ferroelectric memory, e.g. MB85RC256V: 10^12 accesses to each byte, of which a generation
    # makes five: erase, write, read back, and two readings at power-up.
    Memory("FRAM", 1, 1, 10**12 // 5),
)


@dataclass(frozen=True)
class Wear:
    """What requests of one size do to one memory."""

    writes: int  # of a request
    erases: float  # blocks of a request, on average
    years: float  # at REQUESTS_H


def writes_of(parts: int, checkpoint: int) -> int:
    """Records of a request that goes well."""
    stages = -(-parts // checkpoint) if checkpoint else 1
    return 1 + stages


def wear(memory: Memory, parts: int, checkpoint: int) -> Wear:
    """The wear that requests for so many parts cause."""
    unit = memory.unit_bytes
    writes = writes_of(parts, checkpoint)
    room = SEGMENT_BYTES - span(SNAPSHOT_BYTES, unit)
    records = 1 + room // span(RECORD_BYTES, unit)  # of a generation
    requests = records / writes
    return Wear(
        writes=writes,
        erases=SEGMENT_BYTES / memory.block_bytes / requests,
        years=2 * memory.cycles * requests / REQUESTS_H / HOURS_A_YEAR,
    )
