"""Counting by weight: how sure a check scale can be of the number of parts in a bag.

Theory of operation
-------------------
A scale that counts divides the mass of the bag by the mass of one part, which it has from a
reference sample.  With the scatter cv of the mass from part to part, n parts of mass w in the bag,
n_r in the reference, and errors s of the scale on either, first-order propagation of errors gives

    SD = sqrt( n cv^2 (1 + n / n_r) + (s / w)^2 + (n s / (n_r w))^2 )

the bag's own scatter and that of the reference, the reading, and the reading of the reference.  A
reading and its tare are rounded to whole divisions d, each an error of d / sqrt(12).  One part more
or less can be told apart if three deviations are less than half a part: SD < 1/6.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

TOLD_APART = 1 / 6  # parts
BAG_MAX = 10_000_000


@dataclass(frozen=True)
class Scale:
    """A scale and the parts on it. Masses in g."""

    part_g: float
    scatter: float  # coefficient of variation of the parts' mass
    reading_g: float  # standard deviation of a net reading
    reference: int  # parts
    reference_reading_g: float

    @classmethod
    def of(cls, values: Mapping[str, Any]) -> "Scale":
        """Take a module description."""
        scale = values["scale"]
        net_g = scale["resolution_g"] * math.sqrt(2 / 12)  # the reading and its tare
        return cls(
            part_g=values["part"]["mass_g"],
            scatter=scale["scatter_percent"] / 100,
            reading_g=net_g,
            reference=scale["reference"],
            reference_reading_g=net_g,
        )

    def deviation(self, parts: int) -> float:
        """Standard deviation of the count of a bag, in parts."""
        drawn = parts * self.scatter**2 * (1 + parts / self.reference)
        read = self.reading_g / self.part_g
        scaled = parts * self.reference_reading_g / (self.reference * self.part_g)
        return math.sqrt(drawn + read**2 + scaled**2)

    def largest_bag(self) -> int:
        """Most parts whose number is sure to the part; 0: not even one is."""
        low, high = 0, BAG_MAX
        while low < high:
            middle = (low + high + 1) // 2
            if self.deviation(middle) < TOLD_APART:
                low = middle
            else:
                high = middle - 1
        return low
