"""The fall of a part to the beam, and how long it darkens it there.

Theory of operation
-------------------
Free fall from the release edge, air left out: a way s that begins with a speed u takes the time t
that solves s = u t + g t^2 / 2.  The beam goes dark when the lowest point of the part has fallen
the drop h, and clears when its highest point, an extent L above, has done so too:

    dark = t(h + L) - t(h)

A part tumbles, so L depends on its attitude.  A part is taken as a cylinder of height H and
diameter D whose axis leans by an angle with the cosine c from the fall: L = H c + D sqrt(1 - c^2),
from the smaller of the two to the diagonal.  All directions are alike, so c is uniform.

The description gives the diagonal and the smallest extent; the other one follows from both.  A part
with a hole is a ring, wide and low; one without is a rod.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hostsim.drivetrain.column import G_M_S2


def fall_s(way_m: float, start_m_s: float = 0.0) -> float:
    """Time for a way down from a downward start speed."""
    if way_m <= 0:
        return 0.0
    return 2 * way_m / (start_m_s + math.sqrt(start_m_s**2 + 2 * G_M_S2 * way_m))


def speed_m_s(way_m: float, start_m_s: float = 0.0) -> float:
    """Speed after a way down."""
    return start_m_s + G_M_S2 * fall_s(way_m, start_m_s)


def dark_s(drop_m: float, extent_m: float, start_m_s: float = 0.0) -> float:
    """Time a body of that extent along its fall darkens a beam `drop_m` below its lowest point."""
    return fall_s(drop_m + extent_m, start_m_s) - fall_s(drop_m, start_m_s)


@dataclass(frozen=True)
class Shape:
    """A part as a cylinder, lengths in m."""

    height_m: float
    diameter_m: float
    hole_m: float

    @classmethod
    def of(cls, part: Mapping[str, Any]) -> "Shape":
        """Take the section [part] of a module description."""
        longest, shortest = part["longest_mm"] / 1e3, part["shortest_mm"] / 1e3
        other = math.sqrt(max(longest**2 - shortest**2, 0.0))
        if part["hole_mm"]:
            return cls(shortest, other, part["hole_mm"] / 1e3)
        return cls(other, shortest, 0.0)

    def extent_m(self, lean: float) -> float:
        """Extent along the fall with the axis leaning by an angle of cosine `lean`, 0 to 1."""
        return self.height_m * lean + self.diameter_m * math.sqrt(1 - lean**2)

    def attitudes(self) -> dict[str, float]:
        """Extents along the fall in the attitudes that have a name, shortest first."""
        diagonal = math.hypot(self.height_m, self.diameter_m)
        along, across = ("flat", "on edge") if self.hole_m else ("upright", "lying")
        named = {along: self.height_m, across: self.diameter_m, "askew": diagonal}
        return dict(sorted(named.items(), key=lambda item: item[1]))

    def gap_s(self, drop_m: float, beam_m: float) -> float:
        """Longest time the light looks through the hole: the part on edge, its axis on the beam.

        `beam_m` is the width of the light; less than that must be open before it gets through.
        """
        open_m = self.hole_m - beam_m
        if open_m <= 0:
            return 0.0
        middle_m = drop_m + self.diameter_m / 2
        return fall_s(middle_m + open_m / 2) - fall_s(middle_m - open_m / 2)


@dataclass(frozen=True)
class Fall:
    """The time from letting go to the beam; bounds from bounds, the deviation to first order."""

    earliest_s: float
    latest_s: float
    mean_s: float
    deviation_s: float  # standard deviation
    speed_m_s: float  # at the beam, on average

    @classmethod
    def of(cls, values: Mapping[str, Any]) -> "Fall":
        """Take a module description: drop and start speed are uniform within their tolerances."""
        drop_m = values["beam"]["drop_mm"] / 1e3
        off_m = values["beam"]["drop_tolerance_mm"] / 1e3
        start_m_s = values["part"]["start_mm_s"] / 1e3
        mean_s, speed = fall_s(drop_m, start_m_s / 2), speed_m_s(drop_m, start_m_s / 2)
        # dt/dh = 1/v and dt/du = -t/v; a uniform error of half-width b deviates by b / sqrt(3).
        by_drop = off_m / speed
        by_start = mean_s * start_m_s / 2 / speed
        return cls(
            earliest_s=fall_s(drop_m - off_m, start_m_s),
            latest_s=fall_s(drop_m + off_m),
            mean_s=mean_s,
            deviation_s=math.hypot(by_drop, by_start) / math.sqrt(3),
            speed_m_s=speed,
        )
