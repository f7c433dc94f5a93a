"""The tally: pockets bound the parts from above, the beam from below."""

from controller.counting.tally import (
    DOUBTFUL,
    EARLY,
    FILLED,
    GOOD,
    LATE,
    LINGER_US,
    LONG,
    SHORT,
    SILENT,
    STRAY,
    Tally,
)


class Windows:
    """Windows as a person would set them: a part is seen 50 to 90 ms after its release."""

    early_us = 50_000
    late_us = 90_000
    creep_early_us = -100_000
    creep_late_us = 200_000


def opened(quantity, releases):
    """A tally with pockets 1, 2, ... released at the given times."""
    tally = Tally(Windows)
    tally.open(quantity)
    for number, at_us in enumerate(releases):
        tally.passed(number + 1, at_us, at_us, False)
    return tally


def bounds(tally):
    return (tally.lower, tally.upper)


def test_a_passed_pocket_counts_from_above_before_its_part_is_seen():
    tally = opened(2, [0, 100_000])
    assert bounds(tally) == (0, 2)
    assert tally.owed == 0


def test_a_pulse_in_the_window_is_the_pocket_s_part():
    tally = opened(2, [0, 100_000])
    assert tally.pulse(70_000, GOOD) == GOOD
    assert tally.pulse(170_000, GOOD) == GOOD
    assert bounds(tally) == (2, 2)
    assert tally.take_verdicts() == [(1, FILLED), (2, FILLED)]


def test_both_ends_of_the_window_belong_to_it_and_no_more():
    for start_us, verdict in ((49_999, EARLY), (50_000, GOOD), (90_000, GOOD)):
        tally = opened(1, [0])
        assert tally.pulse(start_us, GOOD) == verdict, start_us
    tally = opened(1, [0])
    tally.expire(90_001)
    assert tally.silent == 1


def test_settled_only_when_the_longest_fall_is_over_even_if_all_were_seen():
    tally = opened(1, [0])
    tally.pulse(60_000, GOOD)
    assert not tally.settled(90_000)
    assert tally.settled(90_001)


def test_settled_waits_for_what_clings_to_a_silent_pocket():
    tally = opened(1, [0])
    assert not tally.settled(10_000_000)  # its window is over, but nobody has looked
    tally.expire(10_000_000)
    assert not tally.settled(90_000 + LINGER_US)
    assert tally.settled(90_001 + LINGER_US)
    tally.prove_empty()
    assert tally.settled(90_001)


def test_settled_waits_for_the_longest_window_not_for_the_last_pocket():
    tally = Tally(Windows)
    tally.open(2)
    tally.passed(1, 0, 0, True)  # at creep, until 200 ms
    tally.passed(2, 50_000, 50_000, False)  # until 140 ms
    tally.pulse(120_000, GOOD)
    tally.pulse(130_000, GOOD)
    assert not tally.settled(200_000)
    assert tally.settled(200_001)


def test_an_empty_pocket_stays_in_the_upper_bound_until_the_beam_is_proven():
    tally = opened(2, [0, 100_000])
    tally.pulse(70_000, GOOD)
    tally.expire(1_000_000)
    assert bounds(tally) == (1, 2)
    assert tally.owed == 0  # a dead beam must not make it send another
    assert tally.prove_empty() == 1
    assert bounds(tally) == (1, 1)
    assert tally.owed == 1
    assert tally.take_verdicts() == [(1, FILLED), (2, SILENT)]


def test_a_clinging_part_is_the_part_of_the_empty_pocket():
    tally = opened(1, [0])
    tally.expire(1_000_000)
    assert tally.pulse(1_500_000, GOOD) == LATE  # before the proof
    assert bounds(tally) == (1, 1)
    tally = opened(1, [0])
    tally.expire(1_000_000)
    tally.prove_empty()
    assert tally.pulse(1_500_000, GOOD) == LATE  # and after it
    assert bounds(tally) == (1, 1)


def test_a_second_pulse_for_one_pocket_leaves_the_bounds_apart():
    tally = opened(1, [0])
    tally.pulse(60_000, GOOD)
    assert tally.pulse(85_000, GOOD) == STRAY
    assert bounds(tally) == (1, 2)
    assert not tally.exact


def test_a_long_pulse_is_one_part_or_two():
    tally = opened(1, [0])
    assert tally.pulse(60_000, LONG) == LONG
    assert bounds(tally) == (1, 2)
    assert tally.take_verdicts() == [(1, DOUBTFUL)]
    tally = opened(1, [])
    tally.pulse(60_000, LONG)
    assert bounds(tally) == (0, 2)


def test_a_long_pulse_may_hold_the_parts_of_every_pocket_that_is_silent_by_then():
    """Three cling, and come off together: they are not made up for."""
    tally = opened(5, [0, 100_000, 200_000, 300_000, 400_000])
    tally.pulse(60_000, GOOD)
    tally.expire(391_000)  # pockets 2, 3 and 4 are silent
    tally.pulse(391_500, LONG)
    tally.pulse(460_000, GOOD)
    assert tally.prove_empty() == 0
    assert tally.lower == 2 and tally.upper >= 5
    assert tally.owed == 0


def test_a_long_pulse_says_nothing_of_pockets_that_come_later():
    tally = opened(2, [0, 100_000])
    tally.pulse(60_000, LONG)
    tally.expire(1_000_000)
    assert tally.prove_empty() == 1  # the second one
    assert bounds(tally) == (1, 2)


def test_noise_counts_nothing_but_spoils_the_proof_of_a_silent_pocket():
    tally = opened(2, [0, 100_000])
    tally.pulse(60_000, GOOD)
    assert tally.pulse(160_000, SHORT) == SHORT
    assert bounds(tally) == (1, 2)
    tally.expire(1_000_000)
    tally.prove_empty()
    assert bounds(tally) == (1, 2)


def test_noise_beside_a_part_that_is_seen_changes_nothing():
    tally = opened(1, [0])
    tally.pulse(55_000, SHORT)
    tally.pulse(60_000, GOOD)
    tally.expire(1_000_000)
    assert bounds(tally) == (1, 1)


def test_noise_spoils_the_proof_from_the_first_instant_at_which_a_part_could_come():
    for start_us, proven in ((49_999, 1), (50_000, 0), (90_000, 0), (90_001, 1)):
        tally = opened(1, [0])
        tally.pulse(start_us, SHORT)
        tally.expire(1_000_000)
        assert tally.prove_empty() == proven, start_us


def test_what_a_blinded_beam_has_not_seen_can_not_be_proven():
    tally = opened(3, [0, 100_000, 200_000])
    tally.expire(100_000)
    tally.blinded()
    tally.expire(1_000_000)
    assert tally.prove_empty() == 0
    assert bounds(tally) == (0, 3)


def test_what_clings_to_a_pocket_proven_empty_may_fall_while_the_beam_is_blind():
    tally = opened(3, [0, 100_000])
    tally.pulse(60_000, GOOD)
    tally.expire(1_000_000)
    tally.prove_empty()
    assert bounds(tally) == (1, 1)
    tally.blinded()
    assert bounds(tally) == (1, 2)
    tally.blinded()  # it stays so, however often it is said
    assert bounds(tally) == (1, 2)


def test_lost_edges_may_hide_a_part_more():
    tally = opened(1, [0])
    tally.pulse(60_000, GOOD)
    tally.lost_edges()
    assert bounds(tally) == (1, 2)


def test_a_pulse_under_way_that_nothing_explains_is_in_the_upper_bound():
    tally = opened(1, [0])
    assert tally.upper_now(True) == 1  # the open pocket explains it
    tally.pulse(60_000, GOOD)
    assert tally.upper_now(True) == 2
    assert tally.upper_now(False) == 1
    tally = opened(1, [0])
    tally.expire(100_000)
    assert tally.upper_now(True) == 1  # the silent pocket explains it: a part that clung


def test_at_creep_the_window_is_the_wide_one():
    tally = Tally(Windows)
    tally.open(1)
    tally.passed(1, 300_000, 300_000, True)
    assert tally.pulse(199_999, GOOD) == EARLY
    assert tally.pulse(200_000, GOOD) == GOOD


def test_the_oldest_open_pocket_is_served_first_and_counts_stay_right():
    tally = opened(3, [0, 20_000, 40_000])
    for start_us in (75_000, 80_000, 100_000):
        assert tally.pulse(start_us, GOOD) == GOOD
    assert bounds(tally) == (3, 3)


def test_silent_pockets_in_a_row_are_counted_anew_after_a_part():
    tally = opened(4, [0, 100_000, 200_000, 300_000])
    tally.expire(200_000)
    assert tally.silent_run == 2
    tally.pulse(270_000, GOOD)
    assert tally.silent_run == 0


def test_more_open_pockets_than_fit_become_doubtful_not_forgotten():
    tally = opened(100, [0] * 70)
    assert tally.upper == 70
    assert tally.take_verdicts() == [(pocket, DOUBTFUL) for pocket in range(1, 7)]


def test_no_verdict_has_the_number_of_another():
    assert len({GOOD, SHORT, LONG, EARLY, STRAY, LATE}) == 6
    assert len({FILLED, SILENT, DOUBTFUL}) == 3
