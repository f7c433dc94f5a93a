"""A wheel on a sheet: where its points are, and what the views of it share."""

import math
from typing import NamedTuple

from hostsim.sizing.design import Design
from hostsim.sizing.sheet import Point, Sheet
from hostsim.sizing.wheel import Wheel

BORE_MM = 5.0
DOWN_DEG = 270.0
CHAIN = "4 1 0.8 1"  # a centre line
DIAMETER, DEGREE = "\N{LATIN CAPITAL LETTER O WITH STROKE}", "\N{DEGREE SIGN}"
PART = "#f2e3c6"  # what a part is filled with


class View(NamedTuple):
    """A wheel on a sheet."""

    sheet: Sheet
    design: Design
    axis: Point

    @property
    def wheel(self) -> Wheel:
        return self.design.wheel

    def place(self, before_deg: float, radius_mm: float) -> Point:
        """A point so many degrees before the release edge."""
        return self.axis.polar(DOWN_DEG - before_deg, radius_mm)


def slot(wheel: Wheel, axis: Point, at_deg: float) -> tuple[Point, Point, Point, Point]:
    """The corners of a pocket, counter-clockwise from the rim: wall, round, wall."""
    half = wheel.pocket_mm / 2
    rim = math.sqrt(wheel.rim_radius_mm**2 - half**2)
    outside, inside = axis.polar(at_deg, rim), axis.polar(at_deg, wheel.pitch_radius_mm)
    right, left = at_deg - 90, at_deg + 90
    return (
        outside.polar(right, half),
        inside.polar(right, half),
        inside.polar(left, half),
        outside.polar(left, half),
    )
