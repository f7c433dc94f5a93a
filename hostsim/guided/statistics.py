"""Statistics of commissioning: estimates with their limits, and what their confidence means.

Theory of operation
-------------------
Nothing here is this project's own mathematics; the distributions come from SciPy.

    proportions   exact limits of Clopper and Pearson: quantiles of the beta distribution
                  (NIST/SEMATECH e-Handbook 7.2.4.1)
    tolerance     the mean -+ k standard deviations that hold a share of a normal population with a
                  stated confidence, k after Howe (e-Handbook 7.2.6.3)
    range         the share that lies between the least and the greatest of n values, whatever the
                  distribution: Beta(n - 1, 2) (Wilks 1941; order statistics)
    sampling      the least number of trials that proves a yield with so many misses allowed, from
                  the same exact limits
    two rates     what a part takes to the beam is fall + phase / rate: two unknowns, each with its
                  scatter, told apart by two rates; limits of the means after Welch, those of the
                  scatters by the variance estimates recovery of Zou and Donner (MOVER)

Limits are two-sided at `CONFIDENCE` unless they say otherwise.  What rests on approximations, or is
looked at again and again, is worked out at `WORKED`, so that what is stated holds with a margin.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

CONFIDENCE = 0.95
WORKED = 0.97  # delays are not normal, and a kurtosis is learnt from the same few parts
TRIALS_MAX = 100_000  # a yield that takes more to prove is none to commission for

Values = Sequence[float] | NDArray[np.float64]


@dataclass(frozen=True)
class Estimate:
    """A value and the limits that hold the true one with `CONFIDENCE`."""

    value: float
    low: float
    high: float

    def holds(self, truth: float) -> bool:
        """True if `truth` lies within the limits."""
        return self.low <= truth <= self.high

    @property
    def half(self) -> float:
        """Half the distance of the limits."""
        return (self.high - self.low) / 2


def proportion(found: int, trials: int, confidence: float = CONFIDENCE) -> Estimate:
    """The share of which `found` in `trials` is a sample. ValueError unless 0 <= found <= trials
    and there is at least one trial."""
    if not 0 <= found <= trials or trials < 1:
        raise ValueError(f"{found} in {trials}: allowed 0 to {trials} found, in 1 trial or more")
    tail = (1 - confidence) / 2
    low = float(stats.beta.ppf(tail, found, trials - found + 1)) if found else 0.0
    high = float(stats.beta.ppf(1 - tail, found + 1, trials - found)) if found < trials else 1.0
    return Estimate(found / trials, low, high)


def surely_above(hits: int, trials: int, confidence: float = CONFIDENCE) -> float:
    """The share that the true one exceeds with `confidence`, one-sided."""
    return float(stats.beta.ppf(1 - confidence, hits, trials - hits + 1)) if hits else 0.0


def trials_to_prove(share: float, misses: int, confidence: float = CONFIDENCE) -> int:
    """The fewest trials in which `misses` still prove that the true share is above `share`."""
    few, many = misses + 1, TRIALS_MAX
    while few < many:
        middle = (few + many) // 2
        if surely_above(middle - misses, middle, confidence) >= share:
            many = middle
        else:
            few = middle + 1
    return few


def tolerance_factor(count: int, content: float, confidence: float = CONFIDENCE) -> float:
    """How many standard deviations to either side of the mean of `count` normal values hold the
    share `content` of their population."""
    freedom = count - 1
    middle = stats.norm.ppf((1 + content) / 2)
    spread = freedom * (1 + 1 / count) / stats.chi2.ppf(1 - confidence, freedom)
    return float(middle * math.sqrt(spread))


def content_of_range(count: int, confidence: float = WORKED) -> float:
    """The share of any population that lies between the least and greatest of `count` values."""
    return float(stats.beta.ppf(1 - confidence, count - 1, 2))


@dataclass(frozen=True)
class TwoRates:
    """What two rates tell apart: times in us, phases in motor steps."""

    fall: Estimate
    fall_scatter: Estimate
    phase: Estimate
    phase_scatter: Estimate


def tell_apart(
    fast_us: Values, fast_steps_s: float, slow_us: Values, slow_steps_s: float
) -> TwoRates:
    """Fall and phase of release from delays at two step rates. ValueError for too few delays."""
    fast, slow = _Group(fast_us, fast_steps_s), _Group(slow_us, slow_steps_s)
    apart = slow.per_step - fast.per_step
    squares = slow.per_step**2 - fast.per_step**2
    return TwoRates(
        fall=_of_means(fast, slow.per_step / apart, slow, -fast.per_step / apart),
        phase=_of_means(slow, 1 / apart, fast, -1 / apart),
        fall_scatter=_of_variances(
            fast, slow.per_step**2 / squares, slow, fast.per_step**2 / squares
        ),
        phase_scatter=_of_variances(slow, 1 / squares, fast, 1 / squares),
    )


class _Group:
    """Delays at one rate: their moments."""

    def __init__(self, delays_us: Values, steps_s: float) -> None:
        delays = np.asarray(delays_us, dtype=float)
        if len(delays) < 4 or steps_s <= 0:
            raise ValueError(f"{len(delays)} delays at {steps_s} steps/s are too few to learn from")
        self.count = len(delays)
        self.per_step = 1e6 / steps_s  # us
        self.mean = float(delays.mean())
        self.variance = float(delays.var(ddof=1))
        fourth = float(((delays - self.mean) ** 4).mean())
        # Variance of the sample variance, for any distribution (Kenney and Keeping 1951, 7.11).
        share = (self.count - 3) / (self.count - 1)
        self.of_variance = max(0.0, fourth - share * self.variance**2) / self.count

    def variance_limits(self) -> tuple[float, float]:
        """Limits of the variance, worked out on the scale of its logarithm, on which it is about
        normal."""
        if not self.variance:
            return 0.0, 0.0
        quantile = float(stats.t.ppf((1 + WORKED) / 2, self.count - 1))
        factor = math.exp(quantile * math.sqrt(self.of_variance) / self.variance)
        return self.variance / factor, self.variance * factor


def _of_means(one: _Group, a: float, two: _Group, b: float) -> Estimate:
    """a mean1 + b mean2 with its limits: Welch's test, freedom after Satterthwaite."""
    value = a * one.mean + b * two.mean
    parts = [(a**2 * one.variance / one.count, one), (b**2 * two.variance / two.count, two)]
    total = sum(part for part, _ in parts)
    below = sum(part**2 / (group.count - 1) for part, group in parts)
    freedom = total**2 / below if below else float(one.count + two.count - 2)
    half = float(stats.t.ppf((1 + WORKED) / 2, freedom)) * math.sqrt(total)
    return Estimate(value, value - half, value + half)


def _of_variances(one: _Group, a: float, two: _Group, b: float) -> Estimate:
    """The root of a variance1 - b variance2, which is 0 where chance makes that negative.

    Limits of a difference from those of its terms: Zou and Donner 2008, Statistics in Medicine 27.
    """
    value = a * one.variance - b * two.variance
    (low1, high1), (low2, high2) = one.variance_limits(), two.variance_limits()
    down = math.hypot(a * (one.variance - low1), b * (high2 - two.variance))
    up = math.hypot(a * (high1 - one.variance), b * (two.variance - low2))
    root = [math.sqrt(max(0.0, square)) for square in (value, value - down, value + up)]
    return Estimate(*root)
