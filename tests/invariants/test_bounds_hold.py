"""lower <= truly delivered <= upper, at every instant, whatever goes wrong and whoever interferes.

Independent because the truth is the plant's: it counts parts as they leave the beam, in a ledger no
sensor reads.  `tests.judge` compares the firmware's bounds with it after every single round.
`beside` and `double_together` are left out: by declaration no bound can hold for what one beam
can't see.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.invariants.bench import CONFIGS, DETECTABLE, Bench, Script, scripts
from tests.invariants.effort import effort
from tests.judge import JudgedModule


def disturbed(config: str, seed: int, mix: str, runs: list[tuple[int, Script]]) -> list[str]:
    """What does not hold while requests of these quantities are disturbed by these scripts."""
    with JudgedModule(CONFIGS[config], seed, mix) as module:
        bench = Bench(module)
        for ticket, (quantity, script) in enumerate(runs, 1):
            bench.run(ticket, quantity, script)
        return module.broken


@pytest.mark.parametrize("mix", DETECTABLE)
@effort(8)
@given(
    config=st.sampled_from(list(CONFIGS)),
    seed=st.integers(0, 2**32 - 1),
    runs=st.lists(st.tuples(st.integers(1, 40), scripts()), min_size=1, max_size=3),
)
def test_the_truth_lies_within_the_bounds(
    mix: str, config: str, seed: int, runs: list[tuple[int, Script]]
) -> None:
    assert disturbed(config, seed, mix, runs) == []
