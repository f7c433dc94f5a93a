"""Edges to pulses on both interpreters."""

from controller.counting.pulses import WAITING_MAX, PulseReader

GOOD, SHORT, LONG = 0, 1, 2


class Windows:
    bounce_us = 100
    shortest_us = 500
    longest_us = 12_000
    merge_us = 2_000
    stuck_us = 40_000


def reader(*edges):
    made = PulseReader(Windows())
    for time_us, blocked in edges:
        made.feed(time_us, blocked)
    return made


def test_one_part():
    r = reader((1_000, 1), (6_000, 0))
    r.poll(8_000)  # the merge gap is still open
    assert r.take() == []
    assert r.deadline_us() == 8_001
    r.poll(8_001)
    assert r.take() == [(1_000, 6_000, 5_000, GOOD)]
    assert r.take() == []
    assert r.deadline_us() is None


def test_a_hole_as_long_as_the_merge_gap_is_inside_the_part():
    r = reader((0, 1), (2_000, 0), (4_000, 1), (6_000, 0))
    r.poll(10_000)
    assert r.take() == [(0, 6_000, 2_000, GOOD)]  # each wall is dark so long


def test_a_gap_longer_than_the_merge_gap_parts_two():
    r = reader((0, 1), (2_000, 0), (4_001, 1), (6_000, 0))
    assert r.take() == [(0, 2_000, 2_000, GOOD)]
    r.poll(10_000)
    assert r.take() == [(4_001, 6_000, 1_999, GOOD)]


def test_spikes_close_together_are_still_short():
    r = reader((0, 1), (100, 0), (1_500, 1), (1_600, 0))
    r.poll(10_000)
    assert r.take() == [(0, 1_600, 100, SHORT)]


def test_spikes_that_together_are_as_long_as_a_part_are_not_one():
    r = reader((0, 1), (300, 0), (1_500, 1), (1_800, 0))
    r.poll(10_000)
    assert r.take() == [(0, 1_800, 300, SHORT)]


def test_chatter_does_not_cut_a_part_short():
    r = reader((0, 1), (200, 0), (300, 1), (600, 0))  # clear for as long as an edge may chatter
    r.poll(10_000)
    assert r.take() == [(0, 600, 500, GOOD)]


def test_two_parts_touching_are_long():
    r = reader((0, 1), (6_500, 0), (7_000, 1), (14_000, 0))
    r.poll(20_000)
    assert r.take() == [(0, 14_000, 7_000, LONG)]


def test_what_is_under_way():
    r = reader((100, 1))
    assert (r.open_since_us, r.blocked_since_us, r.deadline_us()) == (100, 100, None)
    r.feed(700, 0)
    assert (r.open_since_us, r.blocked_since_us, r.deadline_us()) == (100, None, 2_701)
    r.poll(2_701)
    assert (r.open_since_us, r.blocked_since_us, r.deadline_us()) == (None, None, None)


def test_a_lost_clear_edge_makes_a_long_pulse_not_two_good_ones():
    r = reader((0, 1), (50_000, 1), (55_000, 0))
    r.poll(60_000)
    assert r.take() == [(0, 55_000, 55_000, LONG)]


def test_chatter_without_end_still_gives_pulses():
    r = PulseReader(Windows())
    for at in range(0, 1_000_000, 1_000):
        r.feed(at, (at // 1_000) % 2 == 0)
    pulses = r.take()
    assert len(pulses) > 20
    assert all([pulse[3] == LONG for pulse in pulses])


def test_pulses_nobody_takes_are_dropped_and_counted():
    r = PulseReader(Windows())
    for part in range(WAITING_MAX + 3):
        r.feed(part * 100_000, 1)
        r.feed(part * 100_000 + 5_000, 0)
        r.poll(part * 100_000 + 9_000)
    assert r.lost == 3
    taken = r.take()
    assert len(taken) == WAITING_MAX
    assert taken[-1][0] == (WAITING_MAX + 2) * 100_000
