"""The statistics of commissioning against published values, SciPy's own tests, and simulation."""

import math

import numpy as np
import pytest
from scipy import stats

from hostsim.guided.statistics import (
    CONFIDENCE,
    WORKED,
    content_of_range,
    proportion,
    surely_above,
    tell_apart,
    tolerance_factor,
    trials_to_prove,
)

# (found, trials, low, high, tolerance): Clopper-Pearson, 95 %.
EXACT = [
    # Newcombe 1998, Statistics in Medicine 17:857, Table I.
    (81, 263, 0.2527, 0.3676, 5e-5),
    (15, 148, 0.0578, 0.1617, 5e-5),
    (0, 20, 0.0, 0.1684, 5e-5),
    (1, 29, 0.0009, 0.1776, 5e-5),
    # R package binom, as stored in the test data of statsmodels 0.15.0.
    (4, 20, 0.057333997, 0.436614003, 1e-8),
    (18, 20, 0.683017286, 0.987651473, 1e-8),
    (4, 200, 0.005475566, 0.050413609, 1e-8),
    (190, 200, 0.909972462, 0.975765835, 1e-8),
    (1, 30, 8.435709e-4, 0.17216946, 1e-8),
    (29, 30, 0.8278305, 0.9991564, 1e-7),
    (0, 30, 0.0, 0.11570331, 1e-8),
]


@pytest.mark.parametrize(("found", "trials", "low", "high", "tolerance"), EXACT)
def test_limits_of_a_proportion(found, trials, low, high, tolerance):
    limits = proportion(found, trials)
    assert limits.value == found / trials
    assert limits.low == pytest.approx(low, abs=tolerance)
    assert limits.high == pytest.approx(high, abs=tolerance)


def test_the_worked_example_of_the_handbook():
    """NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20, two-sided 90 % (limits from memory)."""
    limits = proportion(4, 20, 0.90)
    assert (limits.low, limits.high) == pytest.approx((0.071354, 0.401029), abs=2e-6)


@pytest.mark.parametrize(("found", "trials"), [(0, 7), (3, 50), (49, 50), (50, 50)])
def test_the_same_limits_from_another_routine(found, trials):
    """scipy.stats.binomtest inverts the test itself."""
    expected = stats.binomtest(found, trials).proportion_ci(CONFIDENCE, "exact")
    limits = proportion(found, trials)
    assert (limits.low, limits.high) == pytest.approx((expected.low, expected.high), abs=1e-9)


@pytest.mark.parametrize(("found", "trials"), [(-1, 5), (6, 5), (0, 0)])
def test_what_is_no_sample_is_refused(found, trials):
    with pytest.raises(ValueError, match="allowed"):
        proportion(found, trials)


@pytest.mark.parametrize(
    ("trials", "most"),
    [(10, 0.258866), (30, 0.095034), (100, 0.029513), (300, 0.0099361), (1000, 0.0029912)],
)
def test_nothing_seen_in_n(trials, most):
    """Exact one-sided 1 - 0.05^(1/n); the rule of three says about 3 / n."""
    assert 1 - surely_above(trials, trials) == pytest.approx(most, rel=2e-5)
    assert 1 - surely_above(trials, trials) < 3 / trials


@pytest.mark.parametrize(("share", "misses"), [(0.98, 0), (0.98, 2), (0.95, 4), (0.998, 1)])
def test_the_fewest_trials_that_prove_a_yield(share, misses):
    """By the binomial itself: with that many trials a yield of no more than `share` passes in no
    more than one case in twenty; with one trial less in more."""
    needed = trials_to_prove(share, misses)
    assert stats.binom.cdf(misses, needed, 1 - share) <= 0.05
    assert stats.binom.cdf(misses, needed - 1, 1 - share) > 0.05


def test_a_tolerance_factor_of_the_handbook():
    """NIST/SEMATECH e-Handbook 7.2.6.3: 43 values, 90 % content, 99 % confidence, as worked out in
    a public sheet that names it (scribd.com/document/471866375): k2 = 2.2173159."""
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.2173159, abs=1e-6)


@pytest.mark.parametrize(
    ("count", "factors"),
    [(10, (2.84, 3.39, 4.44)), (20, (2.32, 2.76, 3.62)), (60, (1.96, 2.34, 3.07))],
)
def test_tolerance_factors_of_a_table(count, factors):
    """Berthouex and Brown, Statistics for Environmental Engineers, Table 21.1: 95 % confidence,
    90, 95 and 99 % content; exact there, after Howe here."""
    for content, factor in zip((0.90, 0.95, 0.99), factors, strict=True):
        assert tolerance_factor(count, content, 0.95) == pytest.approx(factor, rel=0.008)


def test_tolerance_limits_hold_their_share_as_often_as_they_say():
    chance = np.random.default_rng(4)
    factor = tolerance_factor(100, 0.99)
    held = 0
    for _ in range(1000):
        sample = chance.normal(size=100)
        low, high = sample.mean() - factor * sample.std(ddof=1) * np.array([1, -1])
        held += stats.norm.cdf(high) - stats.norm.cdf(low) >= 0.99
    assert 930 <= held <= 970  # 95 %: within three standard deviations


def test_a_range_holds_its_share_whatever_the_distribution():
    """Wilks 1941: 93 values for 95 % of the population with 95 % confidence (from memory); in
    general p^(n - 1) (n - (n - 1) p) is the doubt left (real-statistics.com, non-parametric)."""
    assert content_of_range(93, 0.95) >= 0.95 > content_of_range(92, 0.95)
    for count in (30, 150, 300):
        share = content_of_range(count, 0.99)
        assert share ** (count - 1) * (count - (count - 1) * share) == pytest.approx(0.01)
    chance = np.random.default_rng(5)
    share = content_of_range(60)
    ranges = chance.random((2000, 60))  # uniform: the range is the share
    held = np.mean(np.ptp(ranges, axis=1) >= share)
    assert held == pytest.approx(WORKED, abs=0.015)


def test_two_rates_tell_a_fall_from_a_phase():
    fast = [60_000 + 40 / 10_000 * 1e6 + off for off in (-10, -3, 3, 10)]
    slow = [60_000 + 40 / 2_500 * 1e6 + off for off in (-10, -3, 3, 10)]
    found = tell_apart(fast, 10_000, slow, 2_500)
    assert found.fall.value == pytest.approx(60_000)
    assert found.phase.value == pytest.approx(40)


def test_limits_from_two_rates_hold_the_truth_as_often_as_they_say():
    """Triangular phases and uniform falls, as no normal theory would have them."""
    chance = np.random.default_rng(6)
    runs, count = 400, 150
    held = dict.fromkeys(("fall", "phase", "fall_scatter", "phase_scatter"), 0)
    truth = {"fall": 63e3, "phase": -12.0, "fall_scatter": 3e3 / math.sqrt(12)}
    truth["phase_scatter"] = 55 / math.sqrt(6)
    for _ in range(runs):
        delays = []
        for rate in (13_850, 3_462):
            fall = 63e3 + 3e3 * (chance.random(count) - 0.5)
            phase = -12 + 55 * (chance.random(count) + chance.random(count) - 1)
            delays += [fall + 1e6 * phase / rate, rate]
        found = tell_apart(*delays)
        for name in held:
            held[name] += getattr(found, name).holds(truth[name])
    assert min(held.values()) >= 0.945 * runs, held


def test_too_few_delays_are_refused():
    with pytest.raises(ValueError, match="too few"):
        tell_apart([1, 2, 3], 1000, [1, 2, 3, 4], 500)
