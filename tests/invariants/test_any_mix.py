"""What holds under the named mixes holds under any: bounds, exact, an end to everything.

Ordeals with these seeds are gone through in every run; `tests.bench.study_ordeals` goes through as
many as one likes, and has found what none of the named mixes did.
"""

from tests.invariants.effort import times
from tests.invariants.hostility import Outcome, ordeal


def test_nothing_untrue_is_told_under_any_mix_of_faults_and_hands() -> None:
    untrue = []
    total = Outcome()
    for seed in range(times(40)):
        outcome = ordeal(seed)
        untrue += [f"seed {seed}: {each}" for each in outcome.untrue[:1]]
        total.requests += outcome.requests
        total.exact += outcome.exact
    assert untrue == []
    assert total.exact > total.requests // 5  # a module that is sure of nothing is of no use
