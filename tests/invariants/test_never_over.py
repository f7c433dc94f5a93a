"""Pockets passed beyond the frontier never exceed the parts still owed, whatever the sensors say.

First on a board on which nothing can be believed (`chaos`): the pockets that a move can pass are
worked out there from exact fractions and the release edges of a wheel that really turns, and what
is owed from the pulses that the board itself has made up.  Then in the plant, under every mix whose
faults can be detected: there pockets log how many parts they let go.  Neither asks the firmware
what it thinks.
"""

import re
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.counting.selftest import BeamTest
from hostsim.config import ModuleConfig, convert
from hostsim.module import SimModule
from tests.invariants.bench import CONFIGS, DETECTABLE, SECOND_US, Bench, Script, scripts
from tests.invariants.chaos import Chaos, ChaosBoard
from tests.invariants.effort import effort, times


def rate(*others: float) -> st.SearchStrategy[float]:
    """Nothing of it, or so much."""
    return st.sampled_from((0.0, 0.0, *others))


ANY_CHAOS = st.builds(
    Chaos,
    part=st.sampled_from((1.0, 0.9, 0.5, 0.0)),
    trash=rate(0.5, 3.0),
    blips=rate(2.0),
    ghosts=rate(0.3, 2.0),
    lies=rate(0.3, 1.0),
    stalls=rate(0.1, 0.5),
    blind=rate(0.5, 1.0),
    false_stalls=rate(0.2),
    index_lost=rate(0.1, 1.0),
    index_ghosts=rate(0.5, 5.0),
    guard=rate(0.2),
    bag=rate(0.2),
    driver=rate(0.1),
    late_us=st.sampled_from((0, 500, 3_000)),
)
# A run is broken off after the 3 silent pockets of the shipped settings, and passes some more while
# the last parts would fall and the wheel comes to rest; each rung of the ladder gives another try.
POCKETS_IN_VAIN = 30
CONFIG = st.sampled_from(list(CONFIGS))
SEED = st.integers(0, 2**32 - 1)


@effort(40)
@given(CONFIG, ANY_CHAOS, SEED)
def test_no_move_passes_more_pockets_than_are_owed(config: str, chaos: Chaos, seed: int) -> None:
    board = ChaosBoard(CONFIGS[config], chaos, seed)
    board.run(60 * SECOND_US, 3)
    assert board.broken == []


@effort(10)
@given(CONFIG, SEED)
def test_a_beam_that_never_sees_a_part_does_not_empty_the_magazine(config: str, seed: int) -> None:
    """Every test of the beam passes and yet no part is seen: that ends after a few pockets."""
    board = ChaosBoard(CONFIGS[config], Chaos(part=0.0, most=1_000), seed)
    board.run(30 * SECOND_US, 3)
    assert board.broken == []
    assert 0 < board.most_unhelped <= POCKETS_IN_VAIN


def untestable(config: str) -> ModuleConfig:
    """A module whose beam has no test output."""
    written = tomllib.loads(CONFIGS[config].path.read_text())
    written["beam"]["test_output"] = False
    return convert(written, CONFIGS[config].path)


@pytest.mark.parametrize("config", CONFIGS)
def test_a_beam_that_can_not_be_tested_proves_nothing(config: str) -> None:
    """Parts it has not seen are not made up for: it may have been dead."""
    board = ChaosBoard(untestable(config), Chaos(part=0.5), seed=1)
    board.run(60 * SECOND_US, 3)
    assert board.broken == []
    assert board.closed == 3


@pytest.mark.parametrize("config", CONFIGS)
def test_the_board_tells_when_too_many_are_passed(
    config: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A control: a firmware that believes such a beam replaces what it has merely not seen."""
    monkeypatch.setattr(BeamTest, "proves", True)
    board = ChaosBoard(untestable(config), Chaos(part=0.5), seed=1)
    board.run(60 * SECOND_US, 3)
    assert any("pockets" in line for line in board.broken)


LETS_GO = re.compile(r"pocket \d+ lets go (\d)")
OPENED = re.compile(r"note \d+ 13 \d+ (\d+)")
CLOSED = re.compile(r"note \d+ 14 ")


def balance(module: SimModule) -> list[tuple[int, int]]:
    """For each request: parts let go by pockets, and the most that there may be."""
    requests = []
    parts = most = 0
    is_open = False
    for _, text in module.log.entries:
        if found := OPENED.match(text):
            is_open, parts, most = True, 0, int(found[1])
        elif CLOSED.match(text):
            is_open = False
            requests.append((parts, most))
        elif is_open and (found := LETS_GO.match(text)):
            parts += int(found[1])
            most += int(found[1]) > 1  # a second part in one pocket, which nobody could foresee
        elif is_open and text == "a part clings to the edge":
            most += 1  # a pocket that was empty as far as anybody could see
    return requests


@pytest.mark.parametrize("mix", DETECTABLE)
@effort(5)
@given(
    config=CONFIG,
    seed=SEED,
    runs=st.lists(st.tuples(st.integers(1, 40), scripts(3)), min_size=1, max_size=3),
)
def test_pockets_let_go_no_more_parts_than_were_asked_for(
    mix: str, config: str, seed: int, runs: list[tuple[int, Script]]
) -> None:
    with SimModule(CONFIGS[config], seed, mix) as module:
        bench = Bench(module)
        for ticket, (quantity, script) in enumerate(runs, 1):
            bench.run(ticket, quantity, script)
    requests = balance(module)
    assert len(requests) == len(runs)
    assert all(parts <= most for parts, most in requests), requests


def test_the_balance_is_of_parts_that_were_let_go() -> None:
    """A control: without faults every pocket lets one part go, and as many as are asked for."""
    with SimModule(CONFIGS["m4_nut"], 1) as module:
        bench = Bench(module)
        for ticket in range(1, times(3) + 1):
            bench.run(ticket, ticket, [])
    assert balance(module) == [(ticket, ticket) for ticket in range(1, times(3) + 1)]
