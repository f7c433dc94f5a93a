"""The words in which the drawing of a state chart is laid out: places, frames, routes.

Theory of operation
-------------------
What there is to draw is in the firmware's tables; here is only where.  A state has a `Place`.  A
row of a table that is legal in many states starts at a `Frame` if exactly those states lie inside
it, else at each of its states; each such arrow has a `Route`, found by its trigger and where it
starts.  An arrow runs along the axes: it leaves its box by one side, turns at the coordinates in
`vias`, and enters its target by another side.

Lengths are in the drawing's own unit, one CSS pixel at full size; y grows downwards.
"""

from dataclasses import dataclass

BOX_WIDTH = 130.0
BOX_HEIGHT = 44.0


@dataclass(frozen=True)
class Place:
    """A rectangle by its centre."""

    x: float
    y: float
    width: float = BOX_WIDTH
    height: float = BOX_HEIGHT

    @property
    def left(self) -> float:
        return self.x - self.width / 2

    @property
    def right(self) -> float:
        return self.x + self.width / 2

    @property
    def top(self) -> float:
        return self.y - self.height / 2

    @property
    def bottom(self) -> float:
        return self.y + self.height / 2

    def holds(self, other: "Place") -> bool:
        """Return True if `other` lies wholly inside."""
        return (
            self.left <= other.left
            and other.right <= self.right
            and self.top <= other.top
            and other.bottom <= self.bottom
        )


@dataclass(frozen=True)
class Frame:
    """A named rectangle around states that share an answer to some trigger."""

    place: Place
    note: str


@dataclass(frozen=True)
class Route:
    """How an arrow runs.

    `start` and `end`: a side ("left", "right", "top", "bottom"), or a side and the coordinate along
    it (its middle if not given).  `vias`: where it turns, x and y in turn, beginning with the axis
    along which it leaves.  `label`: the label's shift from its usual place at the longest stretch.
    """

    start: str | tuple[str, float]
    end: str | tuple[str, float]
    vias: tuple[float, ...] = ()
    label: tuple[float, float] = (0.0, 0.0)


# Every arrow by its trigger and the state or frame it starts at.
Routes = dict[tuple[str, int | str], Route]


@dataclass(frozen=True)
class Layout:
    """One drawing: its size, and the place of everything in it."""

    title: str
    subtitle: str
    width: float
    height: float
    initial: int
    initial_dot: tuple[float, float]
    initial_note: str
    places: dict[int, Place]
    families: dict[str, tuple[int, ...]]  # states by colour
    frames: dict[str, Frame]
    routes: Routes
    resting: tuple[int, ...]  # states it stays in until told otherwise
    legend: tuple[float, float]
    legend_lines: tuple[tuple[str, str], ...]  # (what is shown, what it means)
    marked: tuple[int, ...] = ()
