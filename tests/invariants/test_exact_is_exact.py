"""A request reported exact delivered exactly its quantity, under every mix that can be detected.

What was delivered is counted by the plant, part by part, between the opening and the closing of the
request; what was reported is what a host reads from the line.  A control turns the same check on a
mix that one beam cannot see through, and it must find the module in the wrong there.
"""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.settings import Settings
from hostsim.config import ModuleConfig
from hostsim.plant.faults import MIXES
from tests.invariants.bench import CONFIGS, DETECTABLE, EXACT, Bench, Script, scripts
from tests.invariants.effort import effort
from tests.judge import JudgedModule


def false_results(
    config: ModuleConfig, seed: int, mix: str, runs: list[tuple[int, Script]]
) -> tuple[list[str], int]:
    """Results and bounds that are not what the plant has seen; and how many results were exact."""
    wrong = []
    exact = 0
    with JudgedModule(config, seed, mix) as module:
        bench = Bench(module)
        for ticket, (quantity, script) in enumerate(runs, 1):
            bench.run(ticket, quantity, script)
            delivered = dict(module.watch.closed)[ticket]
            result = bench.result(ticket)
            said_ticket, said_quantity, outcome, lower, upper = result[:5]
            cause = result[-1]
            said = f"ticket {ticket}: {result}, {delivered} delivered of {quantity}"
            if (said_ticket, said_quantity) != (ticket, quantity):
                wrong.append(said)
            if outcome == EXACT:
                exact += 1
                if not lower == upper == quantity == delivered or cause:
                    wrong.append(said)
            elif not cause:
                wrong.append(said)
        wrong += module.broken
    return wrong, exact


RUNS = st.lists(
    st.tuples(st.integers(1, 60), st.one_of(st.just([]), scripts())), min_size=1, max_size=4
)


@pytest.mark.parametrize("mix", DETECTABLE)
@effort(6)
@given(config=st.sampled_from(list(CONFIGS)), seed=st.integers(0, 2**32 - 1), runs=RUNS)
def test_what_is_called_exact_is(
    mix: str, config: str, seed: int, runs: list[tuple[int, Script]]
) -> None:
    wrong, _ = false_results(CONFIGS[config], seed, mix, runs)
    assert wrong == []


@pytest.mark.parametrize("config", CONFIGS)
@pytest.mark.parametrize("mix", ["none", "empty", "everyday", "noise", "bounce", "receiver"])
def test_most_requests_are_exact_where_nobody_is_needed(mix: str, config: str) -> None:
    """A module that calls nothing exact would pass all of this, and be of no use."""
    runs: list[tuple[int, Script]] = [(quantity, []) for quantity in (1, 7, 25, 3) * 3]
    wrong, exact = false_results(CONFIGS[config], 11, mix, runs)
    assert wrong == []
    assert exact >= 9


@pytest.mark.parametrize("mix", ["beam_clear", "beam_dies", "empty", "everyday"])
@effort(6)
@given(config=st.sampled_from(list(CONFIGS)), seed=st.integers(0, 2**32 - 1), runs=RUNS)
def test_what_is_called_exact_is_where_the_beam_has_no_test_output(
    mix: str, config: str, seed: int, runs: list[tuple[int, Script]]
) -> None:
    """Nor does a bound break there: silence proves nothing to a module that can't test its beam."""
    module = CONFIGS[config]
    untested = replace(module, settings=Settings({**module.settings.as_dict(), "beam_test": 0}))
    wrong, _ = false_results(untested, seed, mix, runs)
    assert wrong == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_wheel_that_slips_unseen_finds_its_place_again(seed: int) -> None:
    """Without an index sensor the parts alone tell; it must not stay wrong for ever."""
    wrong, exact = false_results(CONFIGS["m4x12_socket_screw"], seed, "slip", [(10, [])] * 40)
    assert wrong == []
    assert exact >= 38


def test_the_check_finds_what_can_not_be_detected() -> None:
    """A control: parts that fall beside the beam are replaced, and the bag is said to be exact."""
    assert not MIXES["beside"].detectable
    seeds = range(10)
    assert any(false_results(CONFIGS["m4_nut"], seed, "beside", [(40, [])])[0] for seed in seeds)
