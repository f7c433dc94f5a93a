"""Feeding, letting go, trains, jams, wear and the magazine."""

import math

import pytest
from scipy.constants import g

from controller.board.ports import LEVELS_CHANGED, MAGAZINE_OK
from hostsim.plant.faults import FaultMix
from hostsim.plant.world import World

from .rig import Description, Rig, nut_values


def quiet(**rates: float) -> FaultMix:
    """A mix of these rates alone."""
    return FaultMix("test", "", wear_gain=0.0, **rates)  # type: ignore[arg-type]


def test_every_pocket_brings_one_part_from_the_first_on() -> None:
    rig = Rig()
    rig.run(1)
    assert rig.plant.truth.passed == 1
    rig.run(20)
    rig.creep(2)
    truth = rig.plant.truth
    assert (truth.passed, truth.pockets_passed) == (23, 23)
    assert (truth.in_pockets, truth.in_air) == (2, 0)
    assert truth.loaded == 250 + 2


def test_parts_let_go_within_the_scatter_of_the_release_edge() -> None:
    """At constant rate, release k is due at (k - 1/2) pitches, give or take the scatter."""
    rig = Rig()
    rig.creep(30)
    pocket_s = rig.world.steps_per_pocket / 800
    due_us = [1e6 * pocket_s * (k - 0.5) for k in range(1, 31)]
    off = [
        (time_us - due) / (1e6 * pocket_s)
        for time_us, due in zip(rig.said("lets go"), due_us, strict=True)
    ]
    assert max(map(abs, off)) <= rig.world.release_scatter_pockets + 0.001
    assert max(off) - min(off) > rig.world.release_scatter_pockets


def test_a_long_dwell_zone_limits_the_scatter() -> None:
    rig = Rig(release_scatter_pockets=0.3, release_limit_pockets=0.02)
    rig.creep(30)
    first, *later = rig.said("lets go")
    pocket_us = 1e6 * rig.world.steps_per_pocket / 800
    for index, time_us in enumerate(later, start=1):
        assert time_us - first == pytest.approx(index * pocket_us, abs=0.041 * pocket_us)


def test_feed_time() -> None:
    """t = sqrt(2 s / a) for one part's length at 0.8 g."""
    world = World.of(Description(), feed_drag=0.2)
    assert world.feed_us == pytest.approx(1e6 * math.sqrt(2 * 8.7e-3 / (0.8 * g)))


def test_too_fast_leaves_pockets_empty() -> None:
    rig = Rig()
    fastest = rig.world.fastest_pockets_s
    rate = rig.world.steps_per_pocket
    rig.run(60, rate_steps_s=0.97 * fastest * rate)
    assert rig.plant.truth.passed == 60
    rig.run(60, rate_steps_s=1.3 * fastest * rate)
    # Only pockets fed while speeding up or slowing down are filled.
    assert rig.plant.truth.passed < 90
    assert len(rig.said("leaves the opening empty")) > 30
    assert rig.plant.truth.pockets_passed == 120


def test_going_back_over_pockets_already_passed_brings_nothing() -> None:
    rig = Rig()
    rig.run(5)
    rig.creep(-0.45)
    rig.creep(0.45)
    assert rig.plant.truth.passed == 5
    rig.creep(-0.6)  # back over the release edge of pocket 5
    rig.creep(0.6)
    assert (rig.plant.truth.passed, rig.plant.truth.pockets_passed) == (5, 5)
    rig.run(3)
    assert (rig.plant.truth.passed, rig.plant.truth.pockets_passed) == (8, 8)


def test_the_low_level_is_told_and_a_refill_helps() -> None:
    rig = Rig()
    rig.run(230)
    assert not rig.plant.levels & MAGAZINE_OK
    assert [code for _, code in rig.changes].count(LEVELS_CHANGED) == 1
    rig.run(30)
    truth = rig.plant.truth
    assert (truth.passed, truth.in_magazine) == (252, 0)
    rig.plant.refill(100)
    assert rig.plant.levels & MAGAZINE_OK
    rig.run(10)
    # The two pockets between opening and release edge had passed it empty.
    assert truth.passed == 252 + 10 - 1
    assert truth.missing == 0


def test_no_low_level_is_told_without_the_sensor() -> None:
    values = nut_values()
    values["magazine"]["low_sensor"] = False
    rig = Rig(values=values)
    rig.run(255)
    assert rig.plant.levels & MAGAZINE_OK


def test_a_train_feeds_nothing_until_it_is_shaken() -> None:
    rig = Rig(quiet(train=1.0, train_yield=1.0))
    rig.run(12)
    assert rig.plant.truth.passed == 2  # what had been in the pockets
    assert rig.plant.truth.mishaps["train"] == 1
    rig.creep(-0.1)
    assert rig.said("train comes loose")


def test_a_reversal_within_the_lash_shakes_nothing() -> None:
    rig = Rig(quiet(train=1.0, train_yield=1.0))
    rig.run(12)
    rig.creep(-0.01)
    assert not rig.said("comes loose")


def test_a_train_that_never_yields_needs_a_person() -> None:
    rig = Rig(quiet(train=0.5, train_yield=0.0), seed=2)
    rig.run(12)
    for _ in range(5):
        rig.creep(-0.2)
        rig.creep(0.2)
    assert not rig.said("comes loose")
    rig.plant.clear()
    assert rig.said("comes loose")


@pytest.mark.parametrize(
    ("back", "rate_steps_s", "frees"), [(0.3, 800, True), (0.1, 800, False), (0.3, 4000, False)]
)
def test_a_jam_yields_to_enough_reversal_at_creep(
    back: float, rate_steps_s: int, frees: bool
) -> None:
    rig = Rig(quiet(jam=1.0, jam_yield=1.0))
    rig.run(6)
    rig.run(-back, rate_steps_s=rate_steps_s)
    assert bool(rig.said("is free")) == frees
    assert rig.plant.truth.mishaps["jam"] == 1


def test_a_freed_part_is_delivered_like_any_other() -> None:
    rig = Rig(quiet(jam=0.05, jam_yield=1.0), seed=2)
    rig.run(40)
    assert rig.plant.truth.mishaps["jam"] == 1
    rig.creep(-0.35)
    rig.run(3)
    assert rig.plant.truth.mishaps["jam"] == 1
    truth = rig.plant.truth
    assert truth.passed == truth.pockets_passed
    assert truth.missing == 0


def test_jams_yield_as_often_as_the_mix_says() -> None:
    """A geometric wait: the mean number of reversals is 1 / p."""
    reversals = 0
    for seed in range(120):
        rig = Rig(quiet(jam=1.0, jam_yield=0.5), seed=seed)
        rig.run(4, fall_us=1000)
        while not rig.said("is free"):
            rig.creep(-0.35, fall_us=1000)
            reversals += 1
            rig.creep(0.3, fall_us=1000)
    # SD of one wait is sqrt(1 - p) / p = 1.41, of the mean of 120 0.13
    assert reversals / 120 == pytest.approx(2.0, abs=0.6)


def test_a_person_takes_the_wedged_part_out() -> None:
    rig = Rig(quiet(jam=1.0, jam_yield=0.0))
    rig.run(6)
    before = rig.plant.truth.in_pockets
    rig.plant.clear()
    truth = rig.plant.truth
    assert (truth.in_pockets, truth.removed, truth.missing) == (before - 1, 1, 0)


def test_a_slip_loses_whole_cycles_without_a_stall() -> None:
    rig = Rig(quiet(slip=0.2))
    rig.run(30)
    assert not rig.said("stall input")
    cycles = sum(int(line.split()[2]) for _, line in rig.log.entries if "motor slips" in line)
    assert cycles > 0
    lost = (30 - rig.plant.travel_pockets) * rig.world.steps_per_pocket
    # The play of the gears may leave the sprocket a little ahead of the rotor.
    assert 0 <= cycles * rig.world.cycle_steps - lost <= rig.world.lash_steps + 0.5


def test_wear_raises_the_rates_and_delays_the_release() -> None:
    young, old = (
        Rig(FaultMix("test", "", empty=0.02, worn=worn, wear_gain=4.0)) for worn in (0.0, 2.0)
    )
    for rig in (young, old):
        for _ in range(4):
            rig.run(200)
            rig.plant.refill(200)
    # 1 + 4 x 2^2 = 17 times as often: 800 x 0.34 = 272, SD 13; against 16, SD 4
    assert old.plant.truth.mishaps["empty"] == pytest.approx(272, abs=70)
    assert young.plant.truth.mishaps["empty"] == pytest.approx(16, abs=16)
    fresh, worn = (Rig(FaultMix("test", "", worn=worn, wear_gain=0.0)) for worn in (0.0, 2.0))
    for rig in (fresh, worn):
        rig.creep(30)
    shift_us = 2 * fresh.world.wear_shift_pockets * fresh.world.steps_per_pocket / 800 * 1e6
    later = [b - a for a, b in zip(fresh.said("lets go"), worn.said("lets go"), strict=True)]
    assert later == pytest.approx([shift_us] * 30, abs=1300)  # a step at creep takes 1250 us


def test_a_new_sprocket_starts_empty_and_unworn() -> None:
    rig = Rig(FaultMix("test", "", worn=2.0))
    rig.run(5)
    rig.plant.change_sprocket()
    truth = rig.plant.truth
    assert (truth.in_pockets, truth.removed, truth.missing) == (0, 2, 0)
    rig.wait(100_000)
    rig.run(10)
    assert truth.passed == 5 + 10 - 1  # it takes a pocket on the way before the first comes
