"""Windows on both interpreters, against figures worked out apart from the code."""

from controller.counting.windows import Windows, fall_us
from tests.portable.module import settings

# sqrt(2 h / g) with g = 9.80665 m/s^2, to 0.01 ms: drop in mm, fall in us.
FALLS = ((10, 45_160), (20, 63_870), (30, 78_220), (50, 100_980), (100, 142_810), (200, 201_960))


def test_fall_times():
    for drop_mm, expected_us in FALLS:
        assert abs(fall_us(drop_mm * 1_000) - expected_us) <= 6


def test_a_part_thrown_downwards_falls_sooner():
    # u t + g t^2 / 2 = h: with u = 0.5 m/s and t = 50 ms, h = 25 + 12.258 mm
    assert abs(fall_us(37_258, 500_000) - 50_000) <= 2


def test_the_nut():
    w = Windows(settings())
    # Free fall over 20 mm, a quarter longer where the nut rubs, 0.05 ms in the sensor.
    assert abs(w.latest_us - 79_882) <= 2
    # Upper and lower end 4.345 mm from the centre: 70.46 - 56.50 ms, a quarter longer, + 0.25 ms.
    assert abs(w.longest_us - 17_698) <= 5
    # Through the hole, 3.5 mm: 66.60 - 61.01 ms, a quarter longer, + 0.25 ms.
    assert abs(w.merge_us - 7_243) <= 5
    assert w.early_us < w.fall_us < w.late_us
    assert w.shortest_us < w.longest_us < w.stuck_us


def test_at_the_creep_rate_a_part_may_come_long_before_or_after_its_edge():
    w = Windows(settings())
    # Half a pitch of 25.714 degrees less 19 in which nothing falls, at 800 of 9600 steps a turn.
    either_way_us = 223_800
    assert abs(w.creep_late_us - (79_882 + either_way_us)) <= 300
    # Thrown down at 113.4 mm/s, the rim's speed at cruise, 15.655 mm: (565.6 - 113.4) mm/s / g.
    assert abs(w.creep_early_us - (46_116 - either_way_us)) <= 300


def test_three_parts_one_upon_the_other_do_not_stay_in_the_beam():
    w = Windows(settings())
    assert w.stuck_us > 3 * w.longest_us


def test_what_is_set_replaces_what_is_derived():
    w = Windows(
        settings(
            beam_shortest_us=1_000,
            beam_longest_us=20_000,
            beam_merge_us=5_000,
            beam_early_us=30_000,
            beam_late_us=110_000,
            beam_stuck_us=90_000,
        )
    )
    assert (w.shortest_us, w.longest_us, w.merge_us) == (1_000, 20_000, 5_000)
    assert (w.early_us, w.late_us, w.stuck_us) == (30_000, 110_000, 90_000)
