"""Gear train and integer arithmetic against Python's own exact fractions and roots."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.motion.gear import PocketRatio
from controller.motion.intmath import ceil_div, ceil_root, gcd, root, round_half_away

TEETH = st.integers(6, 120)
RATIOS = st.builds(
    PocketRatio,
    st.sampled_from([20, 48, 200, 400]),
    st.sampled_from([1, 2, 8, 16, 32, 256]),
    st.lists(st.tuples(TEETH, TEETH), max_size=4),
    st.integers(2, 120),
)
POCKETS = st.integers(-(10**9), 10**9)


def rounded(value: Fraction) -> int:
    """Round to nearest, a half away from zero: Python rounds all but the halves likewise."""
    if value.denominator == 2:
        return math.trunc(value) + (1 if value > 0 else -1)
    return round(value)


@given(RATIOS, POCKETS)
def test_exact_position(ratio: PocketRatio, pocket: int) -> None:
    assert ratio.target(pocket) == rounded(pocket * Fraction(ratio.num, ratio.den))
    assert ratio.release(pocket) == rounded((pocket - Fraction(1, 2)) * ratio.num / ratio.den)


@given(st.lists(st.tuples(TEETH, TEETH), max_size=4), st.integers(2, 120))
def test_ratio_is_the_product_of_the_stages(stages: list[tuple[int, int]], pockets: int) -> None:
    ratio = PocketRatio(200, 16, stages, pockets)
    exact = Fraction(3200, pockets)
    for driver, driven in stages:
        exact *= Fraction(driven, driver)
    assert (ratio.num, ratio.den) == (exact.numerator, exact.denominator)


@given(RATIOS, POCKETS)
def test_either_way_is_the_same(ratio: PocketRatio, pocket: int) -> None:
    assert ratio.target(-pocket) == -ratio.target(pocket)
    assert ratio.release(1 - pocket) == -ratio.release(pocket)


@given(RATIOS, POCKETS)
def test_rounding_never_adds_up(ratio: PocketRatio, pocket: int) -> None:
    step = ratio.target(pocket + 1) - ratio.target(pocket)
    assert abs(step - Fraction(ratio.num, ratio.den)) <= 1


@given(RATIOS, POCKETS)
def test_pocket_at_turns_over_exactly_at_the_edge(ratio: PocketRatio, pocket: int) -> None:
    edge = ratio.release(pocket)
    if ratio.num >= 2 * ratio.den:  # coarser trains have several edges on one step
        assert ratio.pocket_at(edge) == pocket
        assert ratio.pocket_at(edge - 1) == pocket - 1
    assert ratio.release(ratio.pocket_at(edge)) <= edge < ratio.release(ratio.pocket_at(edge) + 1)


@given(RATIOS, st.integers(-360_000, 360_000), st.integers(-1_000_000, 1_000_000))
def test_angles_and_fractions(ratio: PocketRatio, mdeg: int, ppm: int) -> None:
    per_pocket = Fraction(ratio.num, ratio.den)
    assert abs(ratio.of_ppm(ppm) - per_pocket * ppm / 10**6) <= Fraction(1, 2)
    turn = per_pocket * ratio.pockets
    assert abs(ratio.of_mdeg(mdeg) - turn * mdeg / 360_000) <= Fraction(1, 2)


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ((0, 16, [(17, 51)], 7), "full steps"),
        ((200, -1, [(17, 51)], 7), "microsteps"),
        ((200, 16, [(0, 51)], 7), "driver"),
        ((200, 16, [(17, 0)], 7), "driven"),
        ((200, 16, [(17, 51)], 0), "pockets"),
    ],
)
def test_nonsense_is_refused_by_name(arguments: tuple, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        PocketRatio(*arguments)


@given(st.integers(0, 10**40), st.integers(1, 10**20))
def test_integers_agree_with_the_standard_library(number: int, divisor: int) -> None:
    assert root(number, 2) == math.isqrt(number)
    assert gcd(number, divisor) == math.gcd(number, divisor)
    assert ceil_div(number, divisor) == math.ceil(Fraction(number, divisor))
    assert ceil_div(-number, divisor) == math.ceil(Fraction(-number, divisor))
    assert round_half_away(-number, divisor) == rounded(Fraction(-number, divisor))


@given(st.integers(0, 10**40), st.sampled_from([2, 3]))
def test_roots_enclose(number: int, degree: int) -> None:
    below, above = root(number, degree), ceil_root(number, degree)
    assert below**degree <= number < (below + 1) ** degree
    assert above**degree >= number and (above == 0 or (above - 1) ** degree < number)
