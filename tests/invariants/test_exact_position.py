"""After k pockets the commanded position is the exact ratio, rounded once; whatever k, either way.

The oracle is `fractions.Fraction`, from the numbers of teeth, pockets and steps as people know
them.  Of the whole firmware only the orders to the drive are looked at: what was really commanded.
"""

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from controller.motion.gear import PocketRatio
from controller.motion.words import Move
from hostsim.engine import InProcess
from hostsim.module import SimModule
from hostsim.plant.faults import FaultMix
from hostsim.recorder import Recorder
from tests.invariants.bench import CONFIGS, Bench
from tests.invariants.effort import effort

POCKETS_MAX = 10**9
TEETH = st.integers(7, 120)


def rounded(exact: Fraction) -> int:
    """The nearest whole number, half away from zero."""
    whole = int(abs(exact) + Fraction(1, 2))
    return whole if exact >= 0 else -whole


@effort(100)
@given(
    full_steps=st.sampled_from((20, 24, 48, 200, 400)),
    microsteps=st.sampled_from((1, 2, 4, 8, 16, 32, 64, 128, 256)),
    stages=st.lists(st.tuples(TEETH, TEETH), max_size=4),
    pockets=st.integers(1, 64),
    pocket=st.integers(-POCKETS_MAX, POCKETS_MAX),
)
def test_targets_are_exact(
    full_steps: int, microsteps: int, stages: list[tuple[int, int]], pockets: int, pocket: int
) -> None:
    ratio = Fraction(full_steps * microsteps, pockets)
    for driver, driven in stages:
        ratio *= Fraction(driven, driver)
    gear = PocketRatio(full_steps, microsteps, stages, pockets)
    assert gear.target(pocket) == rounded(pocket * ratio)
    assert gear.release(pocket) == rounded((pocket - Fraction(1, 2)) * ratio)


class Command:
    """The position that the drive has been commanded to, from its orders alone."""

    def __init__(self, recorder: Recorder, lash_steps: int) -> None:
        self._recorder = recorder
        self._lash_steps = lash_steps
        self._seen = 0
        self._direction = 1
        self.position = 0
        self.reversals = 0

    def follow(self) -> None:
        """Add what has been commanded since last time; all moves have ended."""
        for recorded in self._recorder.moves[self._seen :]:
            move: Move = recorded.move
            assert recorded.made == move.steps
            steps = move.steps
            if move.direction != self._direction:  # what turns the motor and not the wheel
                self._direction = move.direction
                self.reversals += 1
                steps -= self._lash_steps
            self.position += move.direction * steps
        self._seen = len(self._recorder.moves)


# Parts that hang together make the module shake the wheel: back and forth, its place known.
SHAKY = FaultMix("shaky", "trains only", train=0.1, train_yield=1.0)


@effort(3)
@given(
    config=st.sampled_from(list(CONFIGS)),
    seed=st.integers(0, 2**32 - 1),
    quantities=st.lists(st.integers(1, 25), min_size=100, max_size=100),
)
def test_hundreds_of_runs_add_up_to_the_exact_target(
    config: str, seed: int, quantities: list[int]
) -> None:
    description = CONFIGS[config]
    settings = description.settings
    ratio = Fraction(settings.motor_full_steps * settings.motor_microsteps)
    for driver, driven in settings.gear_stages:
        ratio *= Fraction(driven, driver)
    lash_steps = rounded(settings.sprocket_lash_mdeg * ratio / 360_000)
    ratio /= settings.sprocket_pockets
    recorder = Recorder(InProcess())
    with SimModule(description, seed, SHAKY, recorder) as module:
        bench = Bench(module)
        bench.run(1, 3, [])  # finds the place of the wheel
        command = Command(recorder, lash_steps)
        command.follow()
        began, passed = command.position, module.plant.truth.pockets_passed
        first = bench.ask("SPR:POS?")[1]
        offset = began - rounded(first * ratio)
        for ticket, quantity in enumerate(quantities, 2):
            bench.run(ticket, quantity, [])
            command.follow()
            pocket = first + module.plant.truth.pockets_passed - passed
            assert command.position - offset == rounded(pocket * ratio)
            known, frontier, steps = bench.ask("SPR:POS?")
            assert (known, frontier, steps) == (1, pocket, rounded(pocket * ratio))
        assert command.reversals >= 2
