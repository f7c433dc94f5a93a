"""Twenty thousand parts on good printed machines: never a wrong quantity told, seldom a person.

The study of a million is `tests/bench/study_everyday.py`.
"""

from scipy.stats import binom

from tests.hostsim.everyday import CONFIGS, TARGET, Job, Sums, episodes

QUANTITY = 25
REQUESTS = 267  # of each module
CHANCE = 1e-6  # of failing although the target holds


def test_no_wrong_quantity_is_told_and_nearly_all_requests_are_exact_without_a_person():
    found = Sums()
    for seed, path in enumerate(CONFIGS, 1):
        for episode in episodes(Job(path, seed, QUANTITY, REQUESTS)):
            found.note(episode)
    assert found.parts > 20_000 * TARGET
    assert found.untrue == 0
    # The faults were there: an everyday machine leaves about 1 pocket in 500 empty.
    assert found.mishaps["empty"] > 0
    assert found.alone >= binom.ppf(CHANCE, found.requests, TARGET)
