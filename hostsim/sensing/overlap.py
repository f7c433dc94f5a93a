"""Two parts at the beam at once: how probable, and up to which rate it hardly happens.

Theory of operation
-------------------
Two pockets that follow each other let go 1 / r apart, give or take the scatter of their release,
which shrinks in time as the rate r grows, and the scatter of two falls.  The second part meets the
first one's shadow if it arrives before the first has cleared the beam.  The sum of six independent
errors is close to normal, so for an attitude that darkens the beam for w

    P = Phi((w - 1/r) / sigma),     sigma^2 = 2 sigma_fall^2 + 2 (d / r)^2

with d the deviation of one release in pockets: a triangular error of half-width b deviates by
b / sqrt(6).  P is averaged over all attitudes.  The errors are bounded and the normal curve is not,
so far out it says too much rather than too little.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from hostsim.sensing.fall import Fall, Shape, dark_s

LEANS = 64  # attitudes that stand for all
RATE_MAX = 10_000.0  # pockets/s
HALVINGS = 60


@dataclass(frozen=True)
class Overlap:
    """Chances of two neighbours, for one module."""

    values: Mapping[str, Any]

    @cached_property
    def darks_s(self) -> list[float]:
        """Dark times of attitudes in equal shares, at the mean drop."""
        shape = Shape.of(self.values["part"])
        drop_m = self.values["beam"]["drop_mm"] / 1e3
        start_m_s = self.values["part"]["start_mm_s"] / 2e3
        leans = ((k + 0.5) / LEANS for k in range(LEANS))
        return [dark_s(drop_m, shape.extent_m(lean), start_m_s) for lean in leans]

    @cached_property
    def _fall(self) -> Fall:
        return Fall.of(self.values)

    def probability(self, rate: float, guard_s: float = 0.0) -> float:
        """Chance that a part comes within `guard_s` of the one before, at `rate` pockets/s."""
        sprocket = self.values["sprocket"]
        release_pockets = sprocket["scatter_deg"] / 360 * sprocket["pockets"] / math.sqrt(6)
        sigma_s = math.sqrt(2) * math.hypot(self._fall.deviation_s, release_pockets / rate)
        sigma_s = max(sigma_s, 1e-9)
        return sum(_normal((dark + guard_s - 1 / rate) / sigma_s) for dark in self.darks_s) / len(
            self.darks_s
        )

    def rate(self, probability: float, guard_s: float = 0.0) -> float:
        """Highest rate, pockets/s, at which the chance is no more than `probability`."""
        low, high = 0.01, RATE_MAX
        for _ in range(HALVINGS):
            middle = math.sqrt(low * high)
            if self.probability(middle, guard_s) <= probability:
                low = middle
            else:
                high = middle
        return low


def _normal(deviations: float) -> float:
    """The normal distribution: probability of no more than so many deviations."""
    return math.erfc(-deviations / math.sqrt(2)) / 2
