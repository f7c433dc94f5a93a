"""Every wait has a deadline; every fault ends in a state with a cause and a remedy; nothing hangs.

Nobody helps here: whatever goes wrong stays wrong, and yet every question is answered within a
bounded virtual time, every request closes, the unit comes to rest with something to read, and the
firmware neither spins nor asks for a round in the past.  All of it is seen from the line and from
the board that calls the firmware; the bounds are those that the settings promise a host.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim.engine import InProcess, Reply, Scene
from hostsim.module import SimModule
from hostsim.plant.faults import MIXES
from tests.invariants.bench import (
    ACTIONS,
    CLOSED,
    CONFIGS,
    DELAYS_US,
    EXECUTE,
    ONWARDS,
    RESTING,
    SECOND_US,
    Bench,
    Script,
)
from tests.invariants.effort import effort

QUERY_US = SECOND_US // 10  # a plain question, whatever is going on: two slices of `ask`
# A request that nobody helps: its rungs, searches and runs (all at creep speed, at worst), each
# with a look at the beam for as long as a chute may take to clear, and then its patience.
MOVES_MAX = 24 + 8 + 6
# Rounds of the firmware: while a pulse is under way it looks every 2 ms, and otherwise there are a
# few for each pocket, part and edge.
ROUNDS_PER_S_MAX = 1_000
ROUNDS_AT_ONCE_MAX = 8


class Timed(InProcess):
    """The firmware in process, with its rounds counted and its deadlines looked at."""

    def __init__(self) -> None:
        self.rounds = 0
        self.last_us = -1
        self.at_once = 0
        self.most_at_once = 0
        self.late: list[str] = []

    def round(self, scene: Scene) -> Reply:
        """One round."""
        self.rounds += 1
        self.at_once = self.at_once + 1 if scene.now_us == self.last_us else 1
        self.most_at_once = max(self.most_at_once, self.at_once)
        self.last_us = scene.now_us
        reply = super().round(scene)
        if reply.deadline_us <= scene.now_us:
            self.late.append(f"{scene.now_us}: deadline {reply.deadline_us}")
        return reply


def longest_request_us(config: str) -> int:
    """How long a request that gets no help may stay open."""
    settings = CONFIGS[config].settings
    turn_steps = settings.motor_full_steps * settings.motor_microsteps
    creep_us = SECOND_US * turn_steps // settings.limit_creep_steps_s  # more than two pockets
    each_us = creep_us + settings.recovery_chute_ms * 1_000
    return MOVES_MAX * each_us + settings.recovery_patience_ms * 1_000


def check_rest(bench: Bench) -> None:
    """The unit rests, and where it has stopped short it says why and what to do."""
    state = bench.ask("UNIT:STAT?", QUERY_US)[0]
    assert state in RESTING
    code, _, rest = bench.module.ask("UNIT:CAUS?", QUERY_US).partition(",")
    text, _, remedy = rest.strip('"').partition('","')
    if state in (5, 9, 11):  # Suspended, Aborted, Held
        assert int(code) > 0
        assert len(text) > 5
        assert len(remedy) > 10
    elif state == EXECUTE:
        assert int(code) == 0


def ask_and_wait(bench: Bench, config: str, ticket: int, quantity: int, script: Script) -> None:
    """Order, and see that it ends although nobody helps; the line answers all the while."""
    bench.open(ticket, quantity)
    bench.play(script)  # whoever unholds or unsuspends has it try again
    limit_us = bench.module.now_us + longest_request_us(config)
    if bench.ask("REQ:PROG?", QUERY_US)[0] != ticket:  # refused: the unit was not in Execute
        check_rest(bench)
        return
    while bench.ask("REQ:PROG?", QUERY_US)[2] != CLOSED:
        assert bench.module.now_us < limit_us, "the request does not close"
        bench.wait(SECOND_US)
    _, _, outcome, lower, upper, *_, cause = bench.result(ticket)
    assert 0 <= lower <= upper
    assert (outcome == 0) == (cause == 0)
    while bench.ask("UNIT:STAT?", QUERY_US)[0] not in RESTING:
        assert bench.module.now_us < limit_us, "the unit does not come to rest"
        bench.wait(SECOND_US)
    check_rest(bench)


@pytest.mark.parametrize("mix", MIXES)
@effort(5)
@given(
    config=st.sampled_from(list(CONFIGS)),
    seed=st.integers(0, 2**32 - 1),
    quantities=st.lists(st.integers(1, 60), min_size=1, max_size=3),
    script=st.lists(st.tuples(DELAYS_US, st.sampled_from(ACTIONS)), max_size=3),
)
def test_everything_ends_and_says_why(
    mix: str, config: str, seed: int, quantities: list[int], script: Script
) -> None:
    timed = Timed()
    with SimModule(CONFIGS[config], seed, mix, timed) as module:
        bench = Bench(module)
        for ticket, quantity in enumerate(quantities, 1):
            for _ in range(len(ONWARDS)):  # as far towards Execute as it goes by itself
                command = ONWARDS.get(bench.state())
                if command:
                    module.tell(f"UNIT:COMM {command}")
            ask_and_wait(bench, config, ticket, quantity, script if ticket == 1 else [])
        assert timed.late == []
        assert timed.most_at_once <= ROUNDS_AT_ONCE_MAX
        assert timed.rounds <= ROUNDS_PER_S_MAX * (module.now_us // SECOND_US + 1)


@pytest.mark.parametrize("mix", ["none", "jam_hard", "beam_clear", "runs_dry", "lodge", "sag"])
@pytest.mark.parametrize("config", CONFIGS)
def test_an_overlapped_wait_ends_too(mix: str, config: str) -> None:
    """*OPC? is answered when the request has closed, and everything said behind it after that."""
    with SimModule(CONFIGS[config], 5, mix) as module:
        bench = Bench(module)
        module.tell("UNIT:COMM RES;*WAI;COMM STAR;*WAI")
        limit_us = longest_request_us(config)
        answer = module.ask("REQ:OPEN 1,60;*OPC?;:UNIT:STAT?", limit_us)
        assert answer.startswith("1;")
        assert bench.result(1)[0] == 1
        check_rest(bench)
