"""Same seed, same event log: in process, in a CPython child and in a MicroPython child.

The log holds everything that world and firmware did, to the microsecond: edges, orders to the drive
with a fingerprint of their words, notes, and every byte on the line.  Its SHA-256 is taken by the
host, which is the same program all three times; what differs is the interpreter the firmware is in.
"""

import random
from collections.abc import Iterator

import pytest

from hostsim import engine
from hostsim.engine import Engine
from hostsim.module import SimModule
from hostsim.plant.faults import MIXES
from tests.invariants.bench import ACTIONS, CONFIGS, SECOND_US, Bench
from tests.invariants.effort import times

SEEDS = range(1, times(20) + 1)
NAMES = list(CONFIGS)


@pytest.fixture(scope="module")
def engines() -> Iterator[dict[str, Engine]]:
    """One engine of each kind; a child serves one module after another."""
    made = {name: engine.make(name) for name in engine.ENGINES}
    yield made
    for each in made.values():
        each.close()


def session(config: str, seed: int, mix: str, where: Engine) -> SimModule:
    """A short session with a bit of everything, the same for the same seed; returns the module."""
    chance = random.Random(seed)
    with SimModule(CONFIGS[config], seed, mix, where) as module:
        bench = Bench(module)
        module.tell("UNIT:COMM RES;*WAI;COMM STAR;*WAI")
        bench.wait(SECOND_US)
        bench.open(1, chance.randint(1, 12))
        for _ in range(chance.randint(0, 3)):
            bench.wait(chance.randint(0, SECOND_US))
            bench.act(chance.choice(ACTIONS))
        bench.wait(chance.randint(1, 2) * SECOND_US)
        module.tell("REQ:PROG?;RES?;:UNIT:STAT?;CAUS?;:SPR:POS?;COUN?;:SYST:ERR?;:EVEN?")
    return module


@pytest.mark.parametrize("mix", MIXES)
def test_the_interpreter_makes_no_difference(mix: str, engines: dict[str, Engine]) -> None:
    for seed in SEEDS:
        config = NAMES[seed % len(NAMES)]
        logs = {name: session(config, seed, mix, where).log for name, where in engines.items()}
        if len({log.sha256() for log in logs.values()}) > 1:
            pytest.fail(f"{config}, seed {seed}, {mix}:\n{first_difference(logs)}")


def first_difference(logs: dict) -> str:
    """The first line in which logs differ, as each has it."""
    lines = {name: list(log.lines()) for name, log in logs.items()}
    count = min(map(len, lines.values()))
    at = next((n for n in range(count) if len({each[n] for each in lines.values()}) > 1), count)
    return "\n".join(f"{name}: {each[at : at + 1]}" for name, each in lines.items())


def test_the_log_tells_seeds_mixes_and_modules_apart(engines: dict[str, Engine]) -> None:
    """A control: what differs has different logs."""
    where = engines["inprocess"]
    logs = {
        session(config, seed, mix, where).log.sha256()
        for config in CONFIGS
        for seed in range(10)
        for mix in ("everyday", "harsh", "noise")
    }
    assert len(logs) == 3 * 10 * 3


def test_the_log_holds_what_both_sides_do(engines: dict[str, Engine]) -> None:
    """A control: world, firmware and line are all in it."""
    text = "\n".join(session("m4_nut", 1, "none", engines["micropython"]).log.lines())
    for part in ("drive start", "lets go 1", "beam blocked", "note ", "line in", "line out"):
        assert part in text
