"""Slip, wear and dirt in a simulated module: warned of before a count goes wrong, and only then.

How seldom a healthy module is called otherwise, and how soon each drift is told, is the matter of
`tests/bench/study_drift.py`.
"""

import pytest

from controller.cycle import causes
from hostsim.words import Outcome
from tests.hostsim.drift import CONFIGS, HEALTHY, SLIPPING, follow, learned, wearing

NAMES = sorted(CONFIGS)


def until_told(runs):
    """All that was told up to the first alarm, the alarm included."""
    seen = []
    for told in runs:
        seen.append(told)
        if told.drift.code:
            return seen
    raise AssertionError("no alarm")


@pytest.mark.parametrize("name", NAMES)
def test_a_healthy_module_is_left_alone(name):
    for told in follow(CONFIGS[name], 1, HEALTHY, 2_500):
        assert told.drift.code == 0
    assert 0 < told.sums_pct < 75  # learned, and far from an alarm


@pytest.mark.parametrize("name", NAMES)
def test_dirt_on_the_beam_is_told_before_a_bag_is_in_doubt(name):
    seen = until_told(follow(CONFIGS[name], 1, "dirt", 2_500))
    assert (seen[-1].drift.code, seen[-1].drift.direction) == (causes.BEAM_DRIFT, 1)
    assert "wipe the beam" in seen[-1].drift.remedy
    assert all(told.delivery.result.outcome is Outcome.EXACT for told in seen)
    assert all(told.delivery.truthful for told in seen)


@pytest.mark.parametrize("name", NAMES)
def test_slip_is_told_once_it_has_happened_and_every_bag_is_told_truly(name):
    config = CONFIGS[name]
    store = learned(config, 2)
    seen = until_told(follow(config, 3, SLIPPING, 2_000, store=store))
    assert seen[-1].drift.code == causes.PHASE_SLIP
    assert seen[-1].slips > 0
    assert all(told.delivery.truthful for told in seen)


@pytest.mark.parametrize("name", NAMES)
def test_wear_is_told_by_the_direction_it_takes(name):
    config = CONFIGS[name]
    machine = wearing(config, 0.1, 6_000)  # a tenth of a pocket in one day
    seen = until_told(follow(config, 1, "none", 6_000, machine=machine))
    assert (seen[-1].drift.code, seen[-1].drift.direction) == (causes.PHASE_WEAR, 1)
    assert all(told.delivery.result.outcome is Outcome.EXACT for told in seen)


def test_micropython_tells_the_same():
    config = CONFIGS["m4_nut"]
    here, there = (
        [(told.drift, told.sums_pct) for told in follow(config, 1, "dirt", 1_200, engine=engine)]
        for engine in ("inprocess", "micropython")
    )
    assert here == there
    assert here[-1][0].code == causes.BEAM_DRIFT
