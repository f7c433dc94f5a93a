"""Shapes: what a part is like, and what follows from that for channel, beam and scale.

Theory of operation
-------------------
A shape holds the limits of its dimensions.  From them follow

    longest    the furthest two points of it can lie apart: what any attitude can show the beam
    shortest   the least that can darken the beam: the height of a flat part, the shank of a screw
    hole       what light can pass when the part falls with it to the beam; 0 for none
    volume     of the nominal dimensions, as tables of mass per 1000 pieces have it
    envelopes  the room it takes in a channel, largest limits, in each way it can be fed

Flat parts (rings and hexagons) slide lying on their faces and touch rim to rim.  Headed parts hang
by the head in a slot and touch head to head.  A headed part is a solid of revolution: its longest
extent is the greatest distance between two of its rims, hypot(rise, radius + radius).
"""

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import NamedTuple

COS_30 = math.cos(math.pi / 6)
TAN_30 = math.tan(math.pi / 6)
CHAMFER_SLICES = 64  # of the angle from a flat's middle to a corner; the sum is good to 1 in 10,000


class Limits(NamedTuple):
    """One dimension in mm."""

    least: float
    nominal: float
    most: float


class Dimension(NamedTuple):
    """A dimension for reading."""

    name: str
    limits: Limits
    meaning: str


@dataclass(frozen=True)
class Envelope:
    """The room a part takes in a channel, in mm, at the largest limits."""

    orientation: str  # "flat" or "hung"
    along_mm: float  # from part to part in a column
    across_mm: float  # width of the channel without clearance
    above_mm: float  # height of the part in a channel; of its head above the rail if it hangs
    below_mm: float  # what hangs below the rail; 0 for a part that lies flat
    slot_mm: float  # width that what hangs needs in the rail; 0 for a part that lies flat


class Shape(ABC):
    """A part's form. All lengths in mm."""

    corners = 0  # seen from above; 0 for a round one

    @property
    @abstractmethod
    def longest_mm(self) -> float:
        """Longest extent in any attitude."""

    @property
    @abstractmethod
    def shortest_mm(self) -> float:
        """Shortest extent in any attitude."""

    @property
    @abstractmethod
    def hole_mm(self) -> float:
        """Widest hole that light can pass; 0 for none."""

    @property
    @abstractmethod
    def volume_mm3(self) -> float:
        """Volume of the nominal dimensions."""

    @property
    @abstractmethod
    def envelope(self) -> Envelope:
        """The room it takes in the way it is fed."""

    @property
    @abstractmethod
    def dimensions(self) -> tuple[Dimension, ...]:
        """What the standard, or the person who measured, says."""


@dataclass(frozen=True)
class Ring(Shape):
    """A washer or a spacer: outside diameter, hole, height."""

    outer: Limits
    hole: Limits
    height: Limits

    @property
    def longest_mm(self) -> float:
        return math.hypot(self.outer.most, self.height.most)

    @property
    def shortest_mm(self) -> float:
        return min(self.outer.least, self.height.least)

    @property
    def hole_mm(self) -> float:
        return self.hole.most

    @property
    def volume_mm3(self) -> float:
        return (disc(self.outer.nominal) - disc(self.hole.nominal)) * self.height.nominal

    @property
    def envelope(self) -> Envelope:
        return Envelope("flat", self.outer.most, self.outer.most, self.height.most, 0, 0)

    @property
    def dimensions(self) -> tuple[Dimension, ...]:
        return (
            Dimension("outer", self.outer, "outside diameter"),
            Dimension("hole", self.hole, "diameter of the hole"),
            Dimension("height", self.height, "thickness"),
        )


@dataclass(frozen=True)
class Hexagon(Shape):
    """A nut: across flats, height, what light can pass, and for its mass the bore and chamfers.

    `bore` is a cylinder of the thread's volume, `face` the circle on which the chamfer of 30
    degrees begins, `mouth` the diameter of the 90 degree countersink of the thread.
    """

    corners = 6

    flats: Limits
    height: Limits
    light: float
    bore: float
    face: float
    mouth: float

    @property
    def corners_mm(self) -> float:
        """Across the corners, at most."""
        return self.flats.most / COS_30

    @property
    def longest_mm(self) -> float:
        return math.hypot(self.corners_mm, self.height.most)

    @property
    def shortest_mm(self) -> float:
        return min(self.flats.least, self.height.least)

    @property
    def hole_mm(self) -> float:
        return self.light

    @property
    def volume_mm3(self) -> float:
        prism = 2 * TAN_30 * 6 * (self.flats.nominal / 2) ** 2 / 2 * self.height.nominal
        hole = disc(self.bore) * self.height.nominal
        sunk = (self.mouth - self.bore) / 2
        sinks = 2 * (cone(self.mouth, self.bore, sunk) - disc(self.bore) * sunk)
        return prism - hole - sinks - 2 * self._chamfer_mm3()

    @property
    def envelope(self) -> Envelope:
        across = self.corners_mm  # it may turn on its way
        return Envelope("flat", across, across, self.height.most, 0, 0)

    @property
    def dimensions(self) -> tuple[Dimension, ...]:
        corners = Limits(self.flats.least / COS_30, self.flats.nominal / COS_30, self.corners_mm)
        return (
            Dimension("flats", self.flats, "across flats"),
            Dimension("corners", corners, "across sharp corners"),
            Dimension("height", self.height, "height"),
            Dimension("light", Limits(self.light, self.light, self.light), "hole, for light"),
        )

    def _chamfer_mm3(self) -> float:
        """What a 30 degree cone from the circle `face` takes off the corners at one face."""
        start = self.face / 2
        total = 0.0
        for place in range(CHAMFER_SLICES):
            angle = (place + 0.5) / CHAMFER_SLICES * math.pi / 6
            rim = self.flats.nominal / 2 / math.cos(angle)
            if rim > start:  # the integral of (r - start) tan 30 over r dr
                total += rim**3 / 3 - start * rim**2 / 2 + start**3 / 6
        return 12 * total * TAN_30 * math.pi / 6 / CHAMFER_SLICES


@dataclass(frozen=True)
class Headed(Shape):
    """A screw or a rivet: a head on a shank.

    `length` is measured from below the head, but of a "cone" over all.  `shank` is the diameter of
    the shank; its nominal diameter is that of the part without thread.  `threaded` mm of it, from
    its end, weigh as much as a cylinder of `core` diameter.  `key` is the hexagon socket.
    """

    form: str  # of the head: "cylinder", "dome" or "cone"
    head: Limits
    head_height: Limits
    shank: Limits
    length: Limits
    core: float
    threaded: float
    key: float
    key_depth: float

    @property
    def longest_mm(self) -> float:
        rims = ((at_i - at_j, r_i + r_j) for (at_i, r_i), (at_j, r_j) in
                combinations_with_replacement(self.rims, 2))  # fmt: skip
        return max(math.hypot(rise, width) for rise, width in rims)

    @property
    def rims(self) -> tuple[tuple[float, float], ...]:
        """Depth below the top of the head and radius of each rim, at the largest limits."""
        head, shank = self.head.most / 2, self.shank.most / 2
        end = (self._total_mm(self.length.most, self.head_height.most), shank)
        top = 0.0 if self.form == "dome" else head
        widest = 0.0 if self.form == "cone" else self.head_height.most
        return (0.0, top), (widest, head), end

    @property
    def shortest_mm(self) -> float:
        return min(self.shank.least, self._total_mm(self.length.least, self.head_height.least))

    @property
    def hole_mm(self) -> float:
        return 0.0

    @property
    def volume_mm3(self) -> float:
        head, rise, shank = self.head.nominal, self.head_height.nominal, self.shank.nominal
        if self.form == "cylinder":
            volume = disc(head) * rise
        elif self.form == "dome":
            volume = math.pi * rise / 6 * (3 * (head / 2) ** 2 + rise**2)
        else:  # 90 degrees, below a rim where the head is blunter than its theoretical cone
            slope = min((head - shank) / 2, rise)
            volume = cone(head, shank, slope) + disc(head) * (rise - slope)
        socket = 2 * TAN_30 * 6 * (self.key / 2) ** 2 / 2 * self.key_depth
        below = self._below_mm(self.length.nominal, rise)
        threaded = min(self.threaded, below)
        return volume - socket + disc(self.core) * threaded + disc(shank) * (below - threaded)

    @property
    def envelope(self) -> Envelope:
        head = self.head.most
        below = self._below_mm(self.length.most, self.head_height.least)
        return Envelope("hung", head, head, self.head_height.most, below, self.shank.most)

    @property
    def dimensions(self) -> tuple[Dimension, ...]:
        overall = "over all" if self.form == "cone" else "below the head"
        return (
            Dimension("head", self.head, "diameter of the head"),
            Dimension("head_height", self.head_height, "height of the head"),
            Dimension("shank", self.shank, "diameter of the shank, or over its thread"),
            Dimension("length", self.length, f"length {overall}"),
        )

    def _total_mm(self, length: float, head_height: float) -> float:
        return length if self.form == "cone" else head_height + length

    def _below_mm(self, length: float, head_height: float) -> float:
        return length - head_height if self.form == "cone" else length


def disc(diameter: float) -> float:
    """Area of a disc."""
    return math.pi / 4 * diameter**2


def cone(wide: float, narrow: float, height: float) -> float:
    """Volume of a truncated cone between two diameters."""
    return math.pi / 12 * height * (wide**2 + wide * narrow + narrow**2)
