"""The beam and the chute in front of it: test output, bounce, noise, two parts, lodged parts."""

import itertools

import pytest

from hostsim.plant.chute import SECOND_GAP_US
from hostsim.plant.fall import dark_s
from hostsim.plant.faults import MIXES, FaultMix

from .rig import CREEP_STEPS_S, Rig, at_rate


def quiet(**rates: float) -> FaultMix:
    """A mix of these rates alone, with clean edges unless they say otherwise."""
    return FaultMix("test", "", **{"wear_gain": 0.0, "bounce": 0.0, **rates})  # type: ignore[arg-type]


def test_one_part_darkens_the_beam_once_after_its_fall() -> None:
    rig = Rig(quiet(), hole_m=0.0)
    rig.creep(20)
    assert len(rig.pulses()) == 20
    lets_go = rig.said("lets go")
    passed = list(rig.plant.truth.passed_us)
    for (start_us, width_us), release_us, passed_us in zip(
        rig.pulses(), lets_go, passed, strict=True
    ):
        # sqrt(2 h / g) = 63.87 ms for 20 mm; the scatter takes 2.9 ms off at most, adds 0.8
        assert start_us - release_us == pytest.approx(63_870, abs=3000)
        assert start_us + width_us == passed_us
    assert rig.plant.blocked == 0


def test_a_hole_makes_two_pulses_of_one_part_and_the_count_stays_true() -> None:
    rig = Rig(quiet())
    rig.run(100)
    assert 102 < len(rig.pulses()) < 150
    assert rig.plant.truth.passed == 100


def test_the_test_output() -> None:
    rig = Rig()
    rig.plant.beam_test(True)
    rig.wait(1000)
    rig.plant.beam_test(False)
    rig.wait(1000)
    # 50 us are given as the bound of the response; 0.6 of it is real
    assert rig.edges == [(30, 1), (1030, 0)]


def test_a_part_that_falls_while_the_beam_is_tested_leaves_no_mark() -> None:
    rig = Rig(quiet())
    rig.start(at_rate(1371, CREEP_STEPS_S))
    while not rig.said("lets go"):
        rig.wait(1000)
    rig.plant.beam_test(True)
    rig.wait(500_000)
    assert rig.plant.truth.passed == 1
    rig.plant.beam_test(False)
    rig.wait(1000)
    assert len(rig.edges) == 2


@pytest.mark.parametrize(("level", "mix"), [(0, "beam_clear"), (1, "beam_blocked")])
def test_a_dead_beam_keeps_to_its_level(level: int, mix: str) -> None:
    rig = Rig(mix)
    rig.plant.beam_test(True)
    rig.wait(10_000)
    assert rig.plant.blocked == level
    rig.plant.beam_test(False)
    rig.run(5)
    assert rig.plant.blocked == level
    assert rig.edges == [(0, 1)] * level
    assert rig.plant.truth.passed == 5
    rig.plant.mend_beam()
    rig.edges.clear()
    rig.run(5)
    assert len(rig.edges) >= 10
    assert rig.plant.blocked == 0


def test_a_beam_that_was_taken_out_dies_no_more() -> None:
    rig = Rig(quiet(beam_life_s=10.0), seed=3)
    for _ in range(200):  # new ones so often that hardly any dies while it is fitted
        rig.plant.mend_beam()
        rig.wait(10_000)
    assert rig.plant.truth.mishaps["beam"] <= 1
    rig.wait(200_000_000)
    assert rig.plant.truth.mishaps["beam"] <= 2


def test_bounce_settles_within_its_time() -> None:
    rig = Rig(quiet(bounce=1.0), hole_m=0.0)
    rig.run(50)
    assert len(rig.pulses()) == 150  # each part: bounce, body, bounce
    gaps_us = [b - a for (a, _), (b, _) in itertools.pairwise(rig.edges)]
    shortest_us = 1e6 * dark_s(rig.world.drop_m + 5e-4, rig.world.shortest_m, rig.world.kick_m_s)
    for part in range(50):
        six = rig.edges[6 * part : 6 * part + 6]
        assert six[2][0] - six[0][0] <= rig.world.bounce_us
        assert six[5][0] - six[3][0] <= rig.world.bounce_us
        assert six[3][0] - six[0][0] >= shortest_us - 1
    assert min(gaps_us) > 0


def test_noise_is_shorter_than_any_part() -> None:
    rig = Rig("noise")
    rig.wait(100_000_000)
    blips = rig.pulses()
    # 2 a second for 100 s: 200, SD 14
    assert 130 < len(blips) < 270
    shortest_us = 1e6 * dark_s(rig.world.drop_m, rig.world.shortest_m, rig.world.kick_m_s)
    assert max(width for _, width in blips) < 0.5 * shortest_us


def test_the_second_of_a_double_comes_clearly_later() -> None:
    rig = Rig(quiet(double=1.0), hole_m=0.0)
    rig.creep(12)
    truth = rig.plant.truth
    assert truth.parts_of(2) == 1 and truth.parts_of(3) == 2
    assert truth.passed == 2 + 20
    pulses = rig.pulses()
    assert len(pulses) == 22
    for first, second in zip(pulses[2::2], pulses[3::2], strict=True):
        gap_us = second[0] - sum(first)
        assert SECOND_GAP_US[0] - 1 <= gap_us <= SECOND_GAP_US[1] + 1


def test_two_together_give_one_pulse_no_longer_than_some_single_part() -> None:
    """Why this class cannot be detected: the widths of one and of two overlap."""
    single, double = (Rig(quiet(double_together=rate), hole_m=0.0) for rate in (0.0, 1.0))
    for rig in (single, double):
        rig.creep(42)
    assert double.plant.truth.passed == 82
    widths = [width for _, width in double.pulses()[2:]]
    longest_us = 1e6 * dark_s(double.world.drop_m, double.world.longest_m)
    assert len(widths) == 40
    assert sum(width < longest_us for width in widths) > 8


def test_a_part_beside_the_beam_passes_unseen() -> None:
    rig = Rig(quiet(beside=1.0), hole_m=0.0)
    rig.run(12)
    assert rig.plant.truth.passed == 12
    assert len(rig.pulses()) == 2


def test_clinging_parts_fall_late_and_alone() -> None:
    rig = Rig(quiet(cling=0.3), hole_m=0.0)
    rig.run(200, fall_us=2_000_000)
    truth = rig.plant.truth
    clung = truth.mishaps["cling"]
    assert clung == pytest.approx(60, abs=33)  # binomial, 5 standard deviations
    assert truth.passed == 200
    pulses = rig.pulses()
    assert len(pulses) == 200  # none hides behind another
    gaps_us = [b[0] - sum(a) for a, b in itertools.pairwise(pulses)]
    assert min(gaps_us) > 15_000
    off = rig.said("comes off")
    held = rig.said("clings")
    assert all(late > early for early, late in zip(held, off, strict=True))


def test_a_part_clings_through_a_rest_as_long_as_the_mix_says() -> None:
    """Mean of the exponential times at rest; SD of the mean of n is mean / sqrt(n)."""
    waits_us = []
    for seed in range(60):
        rig = Rig(quiet(cling=1.0, cling_ms=200.0, cling_limit_ms=10_000.0), seed)
        rig.run(3, fall_us=10_000_000)
        ended_us = rig.said("move ends")[0]
        waits_us += [time_us - ended_us for time_us in rig.said("comes off") if time_us > ended_us]
        assert rig.plant.truth.passed == 3
    assert len(waits_us) == 60  # the target is a rounded step short of passing the dwell position
    mean_us = sum(waits_us) / len(waits_us)
    assert mean_us == pytest.approx(200_000, abs=5 * 200_000 / len(waits_us) ** 0.5)


def test_clinging_parts_come_off_one_after_the_other() -> None:
    """Two at once would overlap in the beam, which is a mix of its own."""
    rig = Rig(quiet(cling=1.0, cling_ms=1.0, cling_limit_ms=5.0), hole_m=0.0)
    rig.run(40, fall_us=5_000_000)
    widths = [width_us for _, width_us in rig.pulses()]
    off_us = rig.said("comes off")
    assert len(widths) == 40
    assert len(off_us) == rig.plant.truth.mishaps["cling"] > 30
    assert min(after - before for before, after in itertools.pairwise(off_us)) > 2 * max(widths)


def test_a_person_wipes_clinging_parts_off() -> None:
    rig = Rig(quiet(cling=1.0, cling_ms=1e6, cling_limit_ms=1e7))
    rig.run(3, fall_us=200_000)
    truth = rig.plant.truth
    assert truth.in_air == 1
    rig.plant.clear()
    rig.wait(20_000_000)
    assert (truth.in_air, truth.removed, truth.missing) == (0, 1, 0)


def test_a_lodged_part_holds_up_what_follows_and_comes_loose() -> None:
    rig = Rig(quiet(lodge=1.0, lodge_yield=1.0), hole_m=0.0)
    rig.run(5)
    assert rig.plant.truth.mishaps["lodge"] >= 1
    rig.wait(10_000_000)
    truth = rig.plant.truth
    assert (truth.passed, truth.in_air) == (5, 0)
    assert rig.plant.blocked == 0
    assert max(width for _, width in rig.pulses()) > 200_000


def test_a_person_takes_a_lodged_pile_out() -> None:
    rig = Rig(quiet(lodge=1.0, lodge_yield=0.0))
    rig.run(6)
    assert rig.plant.blocked == 1
    truth = rig.plant.truth
    assert (truth.passed, truth.in_air) == (2, 4)
    rig.plant.clear()
    rig.wait(100)
    assert (rig.plant.blocked, truth.in_air, truth.removed, truth.missing) == (0, 0, 4, 0)


def test_every_mix_that_kills_the_beam_says_it_needs_a_person() -> None:
    for mix in MIXES.values():
        assert mix.person or mix.beam_life_s == float("inf")
