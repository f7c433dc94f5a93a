"""Step trains: the plant's own reading of a move, against the firmware's and against itself."""

from array import array

from hypothesis import given
from hypothesis import strategies as st

from controller.motion import profile, words
from hostsim.plant.steps import StepTrain, TrainReader, decode

from .rig import Move

WORDS = st.lists(
    st.tuples(st.integers(1, 40), st.integers(14, 5000)).map(lambda pair: words.pack(*pair)),
    max_size=8,
).map(lambda values: array("I", values))
MOVES = st.builds(Move, st.just(1), WORDS, st.integers(0, 300), st.integers(14, 5000), WORDS)


def test_reads_the_extremes_of_a_word() -> None:
    """Source: the word layout in controller/motion/words.py."""
    assert decode(array("I", [words.pack(1, 14)])) == [14]
    longest = decode(array("I", [words.pack(4096, words.MAX_INTERVAL_TICKS)]))
    assert len(longest) == 4096
    assert longest[-1] == 4096 * words.MAX_INTERVAL_TICKS
    assert decode(array("I")) == []


@given(MOVES)
def test_every_step_is_where_the_words_put_it(move: Move) -> None:
    """Two readers of one layout, written apart: this one and the firmware's."""
    train = TrainReader().read(move)
    theirs = words.Move(1, move.head, move.cruise_steps, move.cruise_ticks, move.tail)
    ticks, step = 0, 0
    for steps, interval in theirs.pairs():
        for _ in range(steps):
            ticks += interval
            step += 1
            assert train.ticks(step) == ticks
    assert train.steps == step


@given(MOVES, st.integers(0, 2_000_000))
def test_issued_counts_the_steps_that_have_risen(move: Move, ticks: int) -> None:
    train = TrainReader().read(move)
    issued = train.issued(ticks)
    assert train.ticks(issued) <= ticks
    assert issued == train.steps or train.ticks(issued + 1) > ticks


def test_reads_what_the_planner_makes() -> None:
    planner = profile.Planner(13_856, 256_000, 12_800_000)
    reader = TrainReader()
    for steps in (1, 2, 1371, 137_143):
        move = planner.move(steps, 1)
        train: StepTrain = reader.read(move)
        assert train.steps == steps
        assert train.ticks(steps) == move.duration_ticks()
        assert train.ticks(steps // 2) == profile.step_ticks(move, steps // 2)
