"""The sequential test of a rate: how often it passes what it should not, and what it should.

Its chances are worked out exactly: all counts of misses an order can bring, order after order.
"""

import pytest
from scipy import stats

from hostsim.guided.ratesteps import LOOKS, judged, sampling_plan


def chances(true_yield, target, chunk):
    """(probability to pass, mean pockets until it is decided) for orders of `chunk` pockets."""
    plan = sampling_plan(target)
    most = LOOKS[-1] + 1
    open_at = {0: 1.0}  # misses -> probability that it is open with so many
    passes = mean = 0.0
    pockets = 0
    while open_at:
        pockets += chunk
        brought = stats.binom.pmf(range(most + 1), chunk, 1 - true_yield)
        came: dict[int, float] = {}
        for misses, share in open_at.items():
            for more in range(most + 1):
                count = min(misses + more, most)  # beyond the last look all are alike
                came[count] = came.get(count, 0.0) + share * brought[more]
        open_at = {}
        for misses, share in came.items():
            verdict = judged(pockets, misses, target, plan)
            if verdict is None:
                open_at[misses] = share
            else:
                passes += share * verdict
                mean += share * pockets
    return passes, mean


@pytest.mark.parametrize("target", [0.9, 0.98])
@pytest.mark.parametrize("chunk", [37, 95])
def test_a_rate_at_the_target_passes_in_no_more_than_one_case_in_twenty(target, chunk):
    assert 0.005 < chances(target, target, chunk)[0] <= 0.05


def test_a_good_rate_passes_and_chance_misses_only_take_it_longer():
    first = sampling_plan(0.98)[0][0]
    passes, mean = chances(1.0, 0.98, 95)
    assert passes == 1 and mean == -(-first // 95) * 95
    passes, longer = chances(0.996, 0.98, 95)
    assert passes > 0.99 and mean < longer < 3 * mean


def test_a_rate_that_is_far_too_high_fails_in_one_order():
    passes, mean = chances(0.5, 0.98, 95)
    assert passes < 1e-9 and mean < 96


def test_more_misses_take_more_pockets():
    plan = sampling_plan(0.98)
    assert [misses for _, misses in plan] == list(LOOKS)
    assert [needed for needed, _ in plan] == sorted({needed for needed, _ in plan})
    assert judged(0, 0, 0.98, plan) is None
