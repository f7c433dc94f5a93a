"""A round in which there is nothing to go on with is cut short, and nobody can tell.

While all is still the firmware only talks, and tells registers as it told them last.  Here the same
session is lived twice: with short rounds, and with every round gone through in full.  World, orders
and every byte that was said must be the same, whatever is asked, done and broken in between.

What happens at rest and is urgent to nobody, such as dirt in the beam, is noticed at the next full
round at the latest, which short ones do not put off.  So notes are compared by when what they tell
has happened, and are noticed in time.
"""

import random
import struct
from dataclasses import replace

import pytest

from controller.firmware import Firmware
from controller.link.modbus_frame import framed
from controller.record.events import PULSE
from controller.settings import Settings
from hostsim.board import BUS
from hostsim.module import SimModule
from tests.invariants.bench import ACTIONS, COMMANDS, CONFIGS, HANDS
from tests.invariants.effort import times

NOTICED_US = 100_000  # at rest the firmware looks at everything at least so often
SEEDS = range(1, times(5) + 1)
STEPS = 200
# From within one round to longer than a command is held; the most that a master looks again after.
DELAYS_US = (1, 60, 800, 2_500, 7_000, 40_000, 150_000, 900_000, 3_000_000)
LOOKS = (
    (3, 0, 0, 0, 49),  # unit, signals, request, results
    (3, 0, 49, 0, 20),  # counters, position, limits, authority, wires
    (4, 0, 66, 0, 3),
    (3, 0, 100, 0, 31),
    (2, 0, 0, 0, 17),
    (17,),
)
LINES = (
    "UNIT:STAT?;CAUS?",
    "STAT:OPER:EVEN?;:STAT:QUES:EVEN?",
    "*OPC",
    "*OPC?",
    "MAG:LOAD 20",
    "UNIT:MODE MAIN",
    "UNIT:MODE PROD",
    "MAIN:BEAM",
    "MAIN:JOG 200000",
    "SPR:CHAN",
    "SYST:LOC",
    "SYST:REM",
)


def live(config: str, seed: int, mix: str) -> SimModule:
    """A session with masters, hands and a robot; the same for the same seed."""
    chance = random.Random(seed)
    described = CONFIGS[config]
    wires = {"wires_quantity": 2 * (seed % 2), "command_hold_ms": 2_000}
    described = replace(described, settings=Settings({**described.settings.as_dict(), **wires}))
    ticket = 1

    def ask(*pdu: int) -> None:
        module.board.write(framed(described.settings.bus_address, bytes(pdu)), BUS)

    with SimModule(described, seed, mix) as module:
        for _ in range(STEPS):
            module.run_until(module.now_us + chance.choice(DELAYS_US))
            match chance.randrange(12):
                case 0 | 1 | 2 | 3:
                    ask(*chance.choice(LOOKS))
                case 4:
                    module.tell("UNIT:COMM CLE;*WAI;COMM RES;*WAI;COMM STAR;*WAI")
                case 5:
                    ticket += chance.randrange(2)
                    ask(16, 0, 202, 0, 3, 6, *struct.pack(">HI", ticket, chance.randint(1, 9)))
                case 6:
                    ask(6, 0, 200, 0, chance.randint(1, 10))
                case 7:
                    module.tell(chance.choice(LINES))
                case 8:
                    action = chance.choice(ACTIONS)
                    if action in COMMANDS:
                        module.tell(COMMANDS[action])
                    else:
                        HANDS[action](module.plant)
                case 9:
                    module.plant.give(bool(chance.randrange(2)))
                case 10:
                    module.plant.guard(True)
                case 11:
                    module.board.write(framed(described.settings.bus_address, b"\x03\x00")[:3], BUS)
    return module


def lines_of(module: SimModule) -> list[str]:
    """The log in the order in which things happened, rather than were noticed."""
    lines = []
    for line in module.log.lines():
        noticed_us, text = line.split(" ", 1)
        at_us = int(noticed_us)
        if text.startswith("note "):
            at_us, kind, _, b = map(int, text.split()[1:])
            over_us = at_us + b if kind == PULSE else at_us
            assert int(noticed_us) - over_us <= NOTICED_US, line
        lines.append((at_us, text))
    return [f"{at_us} {text}" for at_us, text in sorted(lines, key=lambda line: line[0])]


@pytest.mark.parametrize("mix", ("none", "everyday", "harsh", "cling", "jam"))
def test_a_short_round_does_and_says_what_a_full_one_would(
    mix: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = 0

    def counted(go_on):
        def wrapped(*arguments):
            nonlocal full
            full += 1
            return go_on(*arguments)

        return wrapped

    names = list(CONFIGS)
    with monkeypatch.context() as patch:
        patch.setattr(Firmware, "_go_on", counted(Firmware._go_on))
        short = {seed: live(names[seed % 3], seed, mix) for seed in SEEDS}
        rounds = sum(module.board.rounds for module in short.values())
    assert rounds - full > 20 * len(short), "hardly any round is short: this tests nothing"
    monkeypatch.setattr(Firmware, "_is_still", lambda firmware: False)
    for seed, module in short.items():
        other = live(names[seed % 3], seed, mix)
        assert lines_of(module) == lines_of(other), (mix, seed)
    assert any(module.plant.truth.pockets_passed for module in short.values())
