"""Words, compression and moves, from what their description promises."""

from array import array
from itertools import accumulate

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.motion.profile import Planner, step_ticks, stop_point
from controller.motion.words import (
    IN_FLIGHT_STEPS,
    MAX_INTERVAL_TICKS,
    MAX_WORD_STEPS,
    OVERHEAD_TICKS,
    SUBTICKS,
    Move,
    compress,
    mirrored,
    pack,
    unpack,
)

STEPS = st.integers(1, 4096)
TICKS = st.integers(14, 1_048_589)
WORDS = st.lists(st.builds(pack, st.integers(1, 50), st.integers(14, 5000)), max_size=40).map(
    lambda words: array("I", words)
)
MOVES = st.builds(Move, st.sampled_from([1, -1]), WORDS, st.integers(0, 300), TICKS, WORDS)
PLANNER = Planner(8000, 80000, 1_600_000)


def rises(words: array) -> list[int]:
    """Tick of every step of some words, from their start."""
    return list(accumulate(ticks for n, ticks in map(unpack, words) for _ in range(n)))


@given(STEPS, TICKS)
def test_word_layout(steps: int, ticks: int) -> None:
    word = pack(steps, ticks)
    assert f"{word:032b}" == f"{ticks - 14:020b}{steps - 1:012b}"
    assert unpack(word) == (steps, ticks)


@pytest.mark.parametrize(("steps", "ticks"), [(0, 14), (4097, 14), (1, 13), (1, 1_048_590)])
def test_what_a_word_cannot_say_is_refused(steps: int, ticks: int) -> None:
    with pytest.raises(ValueError, match=r"1 to 4096 steps|14 to 1048589 ticks"):
        pack(steps, ticks)


@st.composite
def step_times(draw: st.DrawFn) -> tuple[int, list[int]]:
    """Shortest interval (ticks) and times (subticks) that keep to it, in runs of like gaps."""
    shortest = draw(st.integers(OVERHEAD_TICKS, 400))
    runs = draw(
        st.lists(st.tuples(st.integers(1, 30), st.integers(0, 900), st.integers(0, 3)), min_size=1)
    )
    gaps = [shortest * SUBTICKS + more + i * drift for n, more, drift in runs for i in range(n)]
    return shortest, list(accumulate(gaps))


@given(step_times())
def test_every_step_is_within_a_tick(case: tuple[int, list[int]]) -> None:
    shortest, times = case
    words = compress(times, shortest)
    found = rises(words)
    assert len(found) == len(times)
    # the exact time lies in [time, time + 1) subticks
    assert all(time + 1 - 16 <= 16 * at <= time + 15 for at, time in zip(found, times, strict=True))
    assert min(unpack(word)[1] for word in words) >= shortest


@given(step_times())
def test_the_last_step_meets_a_whole_tick(case: tuple[int, list[int]]) -> None:
    shortest, times = case
    times.append((times[-1] // SUBTICKS + shortest + 1) * SUBTICKS)
    assert rises(compress(times, shortest))[-1] * SUBTICKS == times[-1]


def test_even_steps_take_one_word_each_4096() -> None:
    ticks, steps = 625, 3 * MAX_WORD_STEPS + 1
    words = compress((k * ticks * SUBTICKS for k in range(1, steps + 1)), 14)
    assert [unpack(word) for word in words] == [(4096, 625)] * 3 + [(1, 625)]


def test_a_gap_too_long_for_a_word_is_refused() -> None:
    late = (MAX_INTERVAL_TICKS + 1) * SUBTICKS
    with pytest.raises(ValueError, match="an interval"):
        compress([late], 14)


@given(MOVES)
def test_step_ticks_is_the_sum_of_the_intervals(move: Move) -> None:
    pairs = list(move.pairs())
    assert move.steps == sum(n for n, _ in pairs)
    sums = [0, *accumulate(ticks for n, ticks in pairs for _ in range(n))]
    assert [step_ticks(move, step) for step in range(move.steps + 1)] == sums
    assert move.duration_ticks() == sums[-1]


@given(WORDS)
def test_mirrored_is_the_motion_backwards(words: array) -> None:
    assert list(mirrored(words)) == list(words)[::-1]


@given(MOVES, st.data())
def test_a_move_never_changes(move: Move, data: st.DataObject) -> None:
    before = (list(move.pairs()), move.steps)
    fewer = data.draw(st.integers(0, move.cruise_steps))
    shorter = move.amended(fewer)
    assert shorter.direction == move.direction
    assert shorter.steps == move.steps - (move.cruise_steps - fewer)
    assert (list(move.pairs()), move.steps) == before
    for wrong in (-1, move.cruise_steps + 1):
        with pytest.raises(ValueError, match="cruise"):
            move.amended(wrong)


@settings(max_examples=300)
@given(st.integers(1, 5000), st.data())
def test_stop_point(steps: int, data: st.DataObject) -> None:
    move = PLANNER.move(steps, 1)
    issued = data.draw(st.integers(0, steps))
    fewest = stop_point(move, issued)
    cruise = move.cruise_steps - (move.steps - fewest)
    assert 0 <= cruise <= move.cruise_steps
    end_of_cruise = 600 + cruise  # 0.15 s * 8000 / 2
    if cruise < move.cruise_steps:  # it can be obeyed
        assert end_of_cruise >= issued + IN_FLIGHT_STEPS
    if cruise > 0:  # one step less could not
        assert end_of_cruise - 1 < issued + IN_FLIGHT_STEPS


@given(st.integers(0, 3), WORDS)
def test_direction_is_one_of_two(factor: int, words: array) -> None:
    wrong = factor * 2
    with pytest.raises(ValueError, match="direction"):
        Move(wrong, words, 0, 625, words)
