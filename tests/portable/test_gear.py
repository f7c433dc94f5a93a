"""Positions from pocket numbers, worked out by hand, on both interpreters."""

from controller.motion.gear import PocketRatio
from controller.motion.intmath import ceil_root, gcd, root, round_half_away


def module():
    """200 full steps x 16 microsteps x 51/17 over 7 pockets."""
    return PocketRatio(200, 16, [(17, 51)], 7)


def test_ratio_is_in_lowest_terms():
    assert (module().num, module().den) == (9600, 7)


def test_targets_are_rounded_once():
    ratio = module()
    # 9600/7 = 1371.43: twice the rounded step would be 2742, seven times 9597
    assert [ratio.target(k) for k in (0, 1, 2, 3, 7)] == [0, 1371, 2743, 4114, 9600]
    assert [ratio.target(-k) for k in (0, 1, 2, 3, 7)] == [0, -1371, -2743, -4114, -9600]


def test_targets_stay_exact_far_away():
    ratio = module()
    assert ratio.target(10**9) == 1371428571429  # ...428.57 rounded up
    assert ratio.target(-(10**9)) == -1371428571429


def test_halves_go_away_from_zero():
    ratio = PocketRatio(200, 1, [], 80)  # 5/2
    assert [ratio.target(k) for k in (-3, -1, 1, 3)] == [-8, -3, 3, 8]


def test_release_lies_midway():
    ratio = module()
    assert [ratio.release(k) for k in (0, 1, 2)] == [-686, 686, 2057]  # 685.71, 2057.14


def test_pocket_at_counts_edges_behind():
    ratio = module()
    assert [ratio.pocket_at(steps) for steps in (-687, -686, 0, 685, 686, 2056, 2057)] == [
        -1, 0, 0, 0, 1, 1, 2,
    ]  # fmt: skip


def test_angles_and_fractions():
    ratio = module()
    assert ratio.of_ppm(350000) == 480
    assert ratio.of_ppm(-350000) == -480
    assert ratio.of_mdeg(360000) == 9600
    assert ratio.of_mdeg(300) == 8


def test_integer_roots():
    assert [root(n, 2) for n in (0, 1, 3, 4, 10**30 - 1, 10**30)] == [
        0, 1, 1, 2, 10**15 - 1, 10**15,
    ]  # fmt: skip
    assert [root(n, 3) for n in (0, 7, 8, 10**30 - 1, 10**30)] == [0, 1, 2, 10**10 - 1, 10**10]
    assert [ceil_root(n, 3) for n in (8, 9)] == [2, 3]
    assert gcd(9600, 7000) == 200
    assert [round_half_away(n, 4) for n in (-6, -5, 5, 6)] == [-2, -1, 1, 2]
