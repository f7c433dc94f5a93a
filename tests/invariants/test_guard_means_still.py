"""No step is issued with the guard open, nor after it has closed, until reset and start.

The plant is the witness: its log says when the guard really moved, when a move began at the drive
and what the host had said by then; its pulse counter must stand still while the guard is open.  The
firmware's own states are not asked.
"""

import re

from hypothesis import given
from hypothesis import strategies as st

from controller.board.ports import GUARD_CLOSED, RUNNING
from hostsim.module import SimModule
from tests.invariants.bench import COMMANDS, CONFIGS, DELAYS_US, HANDS, SECOND_US, Bench, Script
from tests.invariants.effort import effort

SAID = re.compile(r"line in b'.*UNIT:COMM (\w+)")
MOVES = ("move forward", "move back", "move refused")
LINES = {
    **COMMANDS,
    "jog": "MAIN:JOG 700000",
    "jog back": "MAIN:JOG -300000",
    "purge": "MAIN:PURG 5",
    "register": "MAIN:REG",
    "maintain": "UNIT:MODE MAIN",
    "produce": "UNIT:MODE PROD",
}
ACTIONS = (*LINES, *HANDS, *("open guard", "shut guard") * 8, *("order",) * 4, *("clear",) * 2)
SCRIPTS = st.lists(st.tuples(DELAYS_US, st.sampled_from(ACTIONS)), max_size=14)


def forbidden(module: SimModule) -> list[str]:
    """Moves and enablings that a guard opened before them did not allow, from the log."""
    found = []
    shut = True
    was_reset = allowed = False  # after power-up nothing may move either
    for time_us, text in module.log.entries:
        if text == "guard open":
            shut = was_reset = allowed = False
        elif text == "guard shut":
            shut = True
        elif said := SAID.match(text):
            was_reset = was_reset or (shut and said[1].lower().startswith("res"))
            allowed = allowed or (was_reset and said[1].lower().startswith("star"))
        elif not allowed and (text.startswith(MOVES) or text == "drive enable 1"):
            found.append(f"{time_us}: {text}")
    return found


class Witness(Bench):
    """A bench that watches the pulses while the guard is open."""

    pulses: int | None = None

    def look(self) -> None:
        """See that nothing moves if nothing may."""
        flags, issued = self.plant.drive_status()
        if self.plant.levels & GUARD_CLOSED:
            self.pulses = None
            return
        assert not flags & RUNNING
        assert self.pulses in (None, issued)
        self.pulses = issued

    def wait(self, delay_us: int) -> None:
        super().wait(delay_us)
        self.look()


def go_through(bench: Bench, script: Script) -> None:
    """A script in which orders may occur."""
    tickets = iter(range(2, 1_000))
    for delay_us, name in script:
        bench.wait(delay_us)
        if name == "order":
            bench.open(next(tickets), 20)
        elif name in LINES:
            bench.module.tell(LINES[name])
        else:
            bench.act(name)


@effort(50)
@given(
    config=st.sampled_from(list(CONFIGS)),
    seed=st.integers(0, 2**32 - 1),
    mix=st.sampled_from(("none", "none", "guard", "harsh", "jam", "train", "drive_fault")),
    script=SCRIPTS,
)
def test_nothing_moves_until_reset_and_start(
    config: str, seed: int, mix: str, script: Script
) -> None:
    with SimModule(CONFIGS[config], seed, mix) as module:
        bench = Witness(module)
        bench.ready()
        bench.open(1, 20)
        go_through(bench, script)
        bench.wait(5 * SECOND_US)
        assert forbidden(module) == []


@effort(20)
@given(
    config=st.sampled_from(list(CONFIGS)),
    opens_us=st.integers(0, 3 * SECOND_US),
    shuts_us=st.one_of(st.integers(0, 2_000), st.integers(0, SECOND_US)),
    commands=st.lists(
        st.sampled_from(("clear", "unhold", "unsuspend", "start", "complete", "jog", "order")),
        max_size=5,
    ),
)
def test_a_guard_that_was_open_for_an_instant_stops_it_for_good(
    config: str, opens_us: int, shuts_us: int, commands: list[str]
) -> None:
    """Whatever is said afterwards, short of reset and start, and however long one waits."""
    with SimModule(CONFIGS[config], 1) as module:
        bench = Bench(module)
        bench.ready()
        bench.open(1, 60)
        bench.wait(opens_us)
        bench.act("open guard")
        bench.wait(shuts_us)
        bench.act("shut guard")
        opened = len(module.log)
        go_through(bench, [(SECOND_US // 3, name) for name in commands])
        bench.wait(70 * SECOND_US)
        after = [text for _, text in module.log.entries[opened:]]
        assert not any(text.startswith(MOVES) for text in after)
        bench.ready()
        bench.open(100, 1)
        bench.close()
        assert bench.result(100)[:3] == [100, 1, 0]


def test_the_witness_sees_moves() -> None:
    """A control: an ordinary request moves, and would be forbidden had nobody said start."""
    with SimModule(CONFIGS["m4_nut"], 1) as module:
        bench = Bench(module)
        bench.run(1, 3, [])
        assert forbidden(module) == []
        for at, (time_us, text) in enumerate(module.log.entries):
            if SAID.match(text):
                module.log.entries[at] = (time_us, "nothing said")
        assert len(forbidden(module)) >= 2
