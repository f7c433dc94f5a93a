"""The ledger: the truth about every part, which no sensor and no firmware ever sees.

Conservation is the ledger's one law: every part ever loaded is in the magazine, in a pocket, on
its way down (falling, clinging or lodged), has passed the beam, or was taken out by a person.
`missing` says how far that is from holding; it must be 0 at every instant.
"""

from array import array
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable


class Ledger:
    """True counts. Rooms of the plant write here; tests and studies read."""

    def __init__(self) -> None:
        self.loaded = 0
        self.in_magazine = 0
        self.in_pockets = 0
        self.in_air = 0  # falling, clinging under the edge, or lodged in the chute
        self.passed = 0  # completely past the beam, seen or not
        self.removed = 0  # taken out by a person
        self.pockets_passed = 0  # pockets that have gone over the release edge for the first time
        self.passed_us = array("q")  # when each of them passed, in time order
        self.mishaps: Counter[str] = Counter()  # how often each fault really happened
        self.on_pass: Callable[[int], None] | None = None  # gets the time of each, at once
        self._uncommon: dict[int, int] = {}  # parts let go by pockets that did not let go one

    @property
    def missing(self) -> int:
        """Parts loaded minus parts accounted for: 0, or the plant is wrong."""
        there = self.in_magazine + self.in_pockets + self.in_air + self.passed + self.removed
        return self.loaded - there

    def passed_between(self, after_us: int, until_us: int) -> int:
        """Parts that passed the beam in after_us < time <= until_us."""
        return bisect_right(self.passed_us, until_us) - bisect_right(self.passed_us, after_us)

    def parts_of(self, pocket: int) -> int:
        """Parts that pocket number `pocket` let go; 1 is assumed of pockets never heard of."""
        return self._uncommon.get(pocket, 1)

    def note_pass(self, time_us: int) -> None:
        """One part has left the beam behind."""
        self.in_air -= 1
        self.passed += 1
        self.passed_us.append(time_us)
        if self.on_pass is not None:
            self.on_pass(time_us)

    def note_pocket(self, pocket: int, parts: int) -> None:
        """A pocket went over the release edge for the first time, with so many parts in it."""
        self.pockets_passed += 1
        if parts != 1:
            self._uncommon[pocket] = parts
