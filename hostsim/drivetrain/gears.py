"""Gears: what a pair of spur gears is like before it is printed.

Theory of operation
-------------------
Standard full-depth involutes of a pressure angle of 20 degrees: pitch diameter m z, base diameter
m z cos(alpha), tip m (z + 2), root m (z - 2.5).  Two wheels mesh at a = m (z1 + z2) / 2.  The line
of action is as long as both tips let it be,

    path = sqrt(ra1^2 - rb1^2) + sqrt(ra2^2 - rb2^2) - a sin(alpha)

and the contact ratio is that path over the base pitch pi m cos(alpha): how many teeth carry, on
average.  A wheel with fewer than 2 / sin^2(alpha) = 17.1 teeth is cut, or printed, with undercut
roots, unless its teeth are shifted outward by x = 1 - z sin^2(alpha) / 2 modules.  (Any text on
machine elements.)

The least backlash that ordinary practice gives a pair is that of ISO/TR 10064-2:1996 (formula from
memory), j = 2/3 (0.06 + 0.0005 a + 0.03 m) mm, square to the flanks: a wheel turns by it over its
base radius.  A wheel's lash reaches the sprocket divided by what is still geared down behind it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import prod

PRESSURE_RAD = math.radians(20)
TEETH_PLAIN = 17  # with 17 the undercut is too small to matter: 17.1 is the limit

# ISO 54, modules in mm (gearprofile.app lists both series and names the standard; below 1 mm the
# list of DIN 780, thegeargenerator.xyz).
SERIES_1 = (1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 16, 20, 25, 32, 40, 50)
SERIES_2 = (1.125, 1.375, 1.75, 2.25, 2.75, 3.5, 4.5, 5.5, 6.5, 7, 9, 11, 14, 18, 22, 28, 36, 45)
FINE = (0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
SAME = 1e-9  # mm


@dataclass(frozen=True)
class Pair:
    """One stage: driver and driven teeth on a module in mm. All lengths in mm."""

    driver: int
    driven: int
    module_mm: float

    @property
    def centres_mm(self) -> float:
        """Distance of the axes."""
        return self.module_mm * (self.driver + self.driven) / 2

    @property
    def path_mm(self) -> float:
        """Length of the path of contact."""
        reach = sum(
            math.sqrt(tip_mm(teeth, self.module_mm) ** 2 - base_mm(teeth, self.module_mm) ** 2) / 2
            for teeth in (self.driver, self.driven)
        )
        return reach - self.centres_mm * math.sin(PRESSURE_RAD)

    @property
    def contact_ratio(self) -> float:
        """Teeth that carry, on average; it must not fall below 1."""
        return self.path_mm / (math.pi * self.module_mm * math.cos(PRESSURE_RAD))

    @property
    def backlash_mm(self) -> float:
        """Least backlash of ordinary practice, square to the flanks."""
        return 2 / 3 * (0.06 + 0.0005 * self.centres_mm + 0.03 * self.module_mm)


def pitch_mm(teeth: int, module_mm: float) -> float:
    """Pitch diameter."""
    return module_mm * teeth


def base_mm(teeth: int, module_mm: float) -> float:
    """Base diameter, where the involute begins."""
    return module_mm * teeth * math.cos(PRESSURE_RAD)


def tip_mm(teeth: int, module_mm: float) -> float:
    """Outer diameter."""
    return module_mm * (teeth + 2)


def root_mm(teeth: int, module_mm: float) -> float:
    """Diameter at the bottom of the gaps."""
    return module_mm * (teeth - 2.5)


def undercut_shift(teeth: int) -> float:
    """Profile shift, in modules, that keeps the roots whole; 0 where none is needed."""
    if teeth >= TEETH_PLAIN:
        return 0.0
    return 1 - teeth * math.sin(PRESSURE_RAD) ** 2 / 2


def series(module_mm: float) -> str:
    """Where a module stands: "ISO 54, I", "ISO 54, II", "DIN 780" (below 1 mm), or ""."""
    for name, modules in (("ISO 54, I", SERIES_1), ("ISO 54, II", SERIES_2), ("DIN 780", FINE)):
        if any(abs(module_mm - known) < SAME for known in modules):
            return name
    return ""


def nearest_module_mm(module_mm: float) -> float:
    """The module of series I, or of the fine list below 1 mm, that is nearest."""
    return float(min((*FINE, *SERIES_1), key=lambda known: abs(known - module_mm)))


def pairs(stages: Sequence[Sequence[int]], module_mm: float) -> list[Pair]:
    """The train from the motor on, all of one module."""
    return [Pair(driver, driven, module_mm) for driver, driven in stages]


def least_lash_deg(train: Sequence[Pair]) -> float:
    """Lash at the sprocket if every pair has the least backlash of ordinary practice."""
    lash_rad = 0.0
    for at, pair in enumerate(train):
        base_mm = pitch_mm(pair.driven, pair.module_mm) / 2 * math.cos(PRESSURE_RAD)
        own_rad = pair.backlash_mm / base_mm
        lash_rad += own_rad / prod(later.driven / later.driver for later in train[at + 1 :])
    return math.degrees(lash_rad)


def centres_agree(train: Sequence[Pair]) -> bool:
    """True if every pair has the same distance of axes, so that the train can fold back."""
    return all(abs(a.centres_mm - b.centres_mm) < SAME for a, b in pairwise(train))
