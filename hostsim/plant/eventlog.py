"""The event log: what happened in a simulated module, line by line, and its fingerprint.

Theory of operation
-------------------
Every room of the plant (and the board in front of it) adds `(time_us, text)` as things happen.
Adding costs a list append; the lines "time_us text\\n" are rendered and hashed later, in blocks,
so that a study over millions of parts can let go of lines already hashed (`keep=False`) and
still ends with the same SHA-256 as a run that kept them all.
"""

import hashlib
from collections.abc import Iterator

BLOCK_LINES = 4096  # lines hashed at a time: bounds what a log that keeps nothing holds


class EventLog:
    """An append-only list of (time_us, text) with a SHA-256 over its rendered lines."""

    def __init__(self, keep: bool = True) -> None:
        """`keep=False` drops lines once they are hashed; `entries` then holds only the newest."""
        self.entries: list[tuple[int, str]] = []
        self._keep = keep
        self._hash = hashlib.sha256()
        self._hashed = 0  # how many of `entries` are in the hash already
        self._dropped = 0

    def __len__(self) -> int:
        """Lines ever added."""
        return self._dropped + len(self.entries)

    def add(self, time_us: int, text: str, *values: object) -> None:
        """Append one event; `text` is a single line without its line end, to format `values`."""
        entries = self.entries
        entries.append((time_us, text.format(*values) if values else text))
        if len(entries) - self._hashed >= BLOCK_LINES:
            self._absorb()

    def lines(self) -> Iterator[str]:
        """Render the entries still held, oldest first, as "time_us text"."""
        for time_us, text in self.entries:
            yield f"{time_us} {text}"

    def sha256(self) -> str:
        """Hex digest over all lines ever added, each ended by a line feed."""
        self._absorb()
        return self._hash.hexdigest()

    def _absorb(self) -> None:
        fresh = self.entries[self._hashed :]
        self._hash.update("".join([f"{time_us} {text}\n" for time_us, text in fresh]).encode())
        if self._keep:
            self._hashed = len(self.entries)
        else:
            self._dropped += len(self.entries)
            self.entries.clear()


class NoLog(EventLog):
    """A log that keeps nothing: of a module that may run for days, and that nobody will ask."""

    def add(self, time_us: int, text: str, *values: object) -> None:
        """Let it go, unformatted."""
