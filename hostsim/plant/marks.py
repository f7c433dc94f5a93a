"""Marks: the places of the sprocket's travel where something happens, pocket after pocket.

A mark stands once per pitch. `pocket` is the number of the next one in the direction of travel;
`crossed(pocket, direction)` is called when the sprocket reaches it. A place counts as passed once
the travel is at it or beyond it, in forward sense, whichever way the sprocket came.
"""

from collections.abc import Callable
from math import floor

Crossed = Callable[[int, int], None]


class Mark:
    """One place per pitch, at a fixed offset from the dwell position of its pocket number."""

    __slots__ = ("crossed", "offset", "pitch", "pocket")

    def __init__(self, offset: float, pitch: float, crossed: Crossed) -> None:
        """`offset` and `pitch` in motor steps."""
        self.offset = offset
        self.pitch = pitch
        self.crossed = crossed
        self.pocket = 0

    def place(self, pocket: int) -> float:
        """Travel in motor steps at which `pocket` is at this mark."""
        return pocket * self.pitch + self.offset

    def seek(self, travel: float, direction: int) -> None:
        """Make `pocket` the next one from `travel` in `direction`."""
        pocket = floor((travel - self.offset) / self.pitch)  # at most one off, by rounding
        while self.place(pocket) > travel:
            pocket -= 1
        while self.place(pocket + 1) <= travel:
            pocket += 1
        self.pocket = pocket + 1 if direction > 0 else pocket


class ReleaseMark(Mark):
    """The release edge, which each pocket passes with its own scatter."""

    __slots__ = ("holds", "scatter")

    def __init__(
        self,
        pitch: float,
        crossed: Crossed,
        scatter: Callable[[int], float],
        holds: Callable[[int], bool],
    ) -> None:
        """`scatter(pocket)` in steps, within half a pitch; `holds(pocket)`: a part is in it."""
        super().__init__(-pitch / 2, pitch, crossed)
        self.scatter = scatter
        self.holds = holds

    def place(self, pocket: int) -> float:
        """Travel in motor steps at which `pocket` lets go."""
        return pocket * self.pitch + self.offset + self.scatter(pocket)

    def seek(self, travel: float, direction: int) -> None:
        """Make `pocket` the first that is not past the edge, or is and still holds its part."""
        pocket = floor(travel / self.pitch)  # its edge is half a pitch behind, scatter included
        while self.place(pocket) <= travel and not self.holds(pocket):
            pocket += 1
        self.pocket = pocket
