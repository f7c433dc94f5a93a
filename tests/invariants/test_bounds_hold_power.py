"""lower <= truly delivered <= upper, also when the power goes, whatever else goes wrong.

The request that was open is reported at power-up, by a firmware that has seen nothing of what fell
after its last record.  What it reports must hold for what has passed the beam by then, and for what
falls while the power is off or when it is back: the plant's ledger says how much that was.
"""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.settings import Settings
from tests.invariants.bench import CONFIGS, DELAYS_US, DETECTABLE, SECOND_US, Bench, Script, scripts
from tests.invariants.effort import effort
from tests.judge import JudgedModule

# What clings lets go within five seconds; a pile in the chute slides out within two.
LOOSE_US = 6 * SECOND_US
POWER_CUT = 42  # cause of a result


def recorded(config: str, every: int):
    """A module that puts its request down every so many parts."""
    module = CONFIGS[config]
    values = {**module.settings.as_dict(), "record_checkpoint": every}
    return replace(module, settings=Settings(values))


@pytest.mark.parametrize("mix", DETECTABLE)
@effort(8)
@given(
    config=st.sampled_from(list(CONFIGS)),
    seed=st.integers(0, 2**32 - 1),
    every=st.sampled_from((0, 1, 5, 25)),
    quantity=st.integers(1, 60),
    script=scripts(3),
    cut_us=st.one_of(DELAYS_US, st.integers(0, 12 * SECOND_US)),
    off_us=st.sampled_from((0, LOOSE_US)),
)
def test_the_truth_lies_within_the_bounds_of_what_the_power_has_cut_off(
    mix: str,
    config: str,
    seed: int,
    every: int,
    quantity: int,
    script: Script,
    cut_us: int,
    off_us: int,
) -> None:
    with JudgedModule(recorded(config, every), seed, mix) as module:
        bench = Bench(module)
        bench.ready()
        sent_us = module.now_us
        bench.open(1, quantity)
        bench.play(script)
        bench.wait(cut_us)
        module.board.power_cycle(off_us)
        module.read()
        bench.wait(LOOSE_US)
        if bench.ask("REQ:TICK?") == [0]:  # it was refused: guard, bag or driver
            return
        ticket, asked, _, lower, upper, _, _, _, cause = bench.result()
        assert (ticket, asked) == (1, quantity)
        if cause == POWER_CUT:
            assert lower <= module.plant.truth.passed_between(sent_us, module.now_us) <= upper
        bench.run(2, 5, [])
        assert module.broken == []
