"""A bench for the invariants: a module, a host on its line, and hands that may do anything.

Theory of operation
-------------------
What a run goes through is a script: `(delay_us, name)` pairs, each the name of a command that the
host gives or of something that hands do, some time after the one before.  Nobody cares whether a
command is legal just then.  At the end `put_right` undoes what hands have done and `ready` leads
the unit back to Execute, from whichever state it was left in.

Hypothesis draws scripts with `scripts`.  The host here speaks raw lines of SCPI and reads the
numbers that come back; it shares no code with the firmware's link or with the project's own client.
"""

from collections.abc import Callable
from pathlib import Path

from hypothesis import strategies as st

from hostsim.config import load
from hostsim.module import SimModule
from hostsim.plant.faults import MIXES
from hostsim.plant.plant import Plant

SECOND_US = 1_000_000
CONFIGS = {
    name: load(Path(__file__).parents[2] / "configs" / f"{name}.toml")
    for name in ("m4_nut", "m4_washer", "m4x12_socket_screw")
}
DETECTABLE = [name for name, mix in MIXES.items() if mix.detectable]
UNDETECTABLE = [name for name, mix in MIXES.items() if not mix.detectable]

# Unit states (PackTags) in which the unit rests, and the command that leads on towards Execute.
EXECUTE = 6
ONWARDS = {2: "RESet", 4: "STARt", 5: "UNSuspend", 9: "CLEar", 11: "UNHold", 17: "RESet"}
RESTING = {EXECUTE, *ONWARDS}
STOPPED_SHORT = {5, 9, 11}  # Suspended, Aborted, Held: something may have to be put right
BEHIND_THE_GUARD = {11, 12, 21, 22, 23, 24}  # causes whose remedy has hands near the gears
STEPS_MAX = 40  # commands on the way to Execute; a unit that goes round in circles fails
CLOSED = 8  # request state
EXACT = 0  # outcome

# The longest that a shipped module may take for anything: its patience (60 s) with all the runs,
# searches and rungs before it.
ANSWER_US = 240 * SECOND_US
LOOK_US = SECOND_US // 4  # between two looks of the host
HELPS = 2  # so often a request is helped on before it is given up

COMMANDS = {
    **{
        word: f"UNIT:COMM {word}"
        for word in ("hold", "unhold", "suspend", "unsuspend", "stop", "abort", "clear")
    },
    **{word: f"UNIT:COMM {word}" for word in ("reset", "start", "complete")},
    "cancel": "REQ:CANC",
}


def fill(plant: Plant) -> None:
    """Fill the magazine up."""
    room = plant.world.capacity - plant.truth.in_magazine
    if room > 0:
        plant.refill(room)


HANDS: dict[str, Callable[[Plant], None]] = {
    "open guard": lambda plant: plant.guard(False),
    "shut guard": lambda plant: plant.guard(True),
    "take bag": lambda plant: plant.receiver(False),
    "place bag": lambda plant: plant.receiver(True),
    "clear": Plant.clear,
    "reset driver": Plant.reset_drive,
    "fill": fill,
}
ACTIONS = (*COMMANDS, *HANDS)

# Delays between two actions: within one round, within one run, and beyond it.
DELAYS_US = st.one_of(st.integers(0, 3_000), st.integers(0, 300_000), st.integers(0, 3 * SECOND_US))

Script = list[tuple[int, str]]


def scripts(most: int = 6, actions: tuple[str, ...] = ACTIONS) -> st.SearchStrategy[Script]:
    """Scripts of up to `most` actions."""
    return st.lists(st.tuples(DELAYS_US, st.sampled_from(actions)), max_size=most)


def numbers(answer: str) -> list[int]:
    """The whole numbers in an answer, as far as it has any."""
    fields = answer.split(",")
    return [int(field) for field in fields if field.lstrip("-").isdigit()]


class Bench:
    """One module on the bench."""

    def __init__(self, module: SimModule) -> None:
        self.module = module
        self.plant = module.plant

    # ---- the host ---------------------------------------------------------------------------

    def ask(self, query: str, timeout_us: int = ANSWER_US) -> list[int]:
        """The numbers of the answer to a query."""
        return numbers(self.module.ask(query, timeout_us))

    def state(self) -> int:
        """State of the unit, once it is one that it rests in."""
        limit_us = self.module.now_us + ANSWER_US
        while (state := self.ask("UNIT:STAT?")[0]) not in RESTING:
            assert self.module.now_us < limit_us, f"the unit stays in acting state {state}"
            self.wait(LOOK_US)
        return state

    def ready(self) -> None:
        """Lead the unit to Execute, putting right whatever stands in the way."""
        for _ in range(STEPS_MAX):
            state = self.state()
            if state == EXECUTE:
                return
            if state in STOPPED_SHORT:
                self.put_right()
                state = self.state()
            if state in ONWARDS:
                self.module.tell(f"UNIT:COMM {ONWARDS[state]}")
        raise AssertionError(f"the unit can't be led to Execute: {self.module.ask('UNIT:CAUS?')}")

    def open(self, ticket: int, quantity: int) -> None:
        """Order parts."""
        self.module.tell(f"REQ:OPEN {ticket},{quantity}")

    def closed(self) -> bool:
        """Whether no request is open."""
        return self.ask("REQ:PROG?")[2] in (0, CLOSED)

    def close(self) -> None:
        """See the request closed: help where help is wanted, and cancel it where none helps."""
        for _ in range(HELPS):
            while self.state() == EXECUTE:
                if self.closed():
                    return
                self.wait(LOOK_US)
            self.ready()
        self.act("cancel")
        limit_us = self.module.now_us + ANSWER_US
        while not self.closed():
            assert self.module.now_us < limit_us, "a cancelled request does not close"
            self.wait(LOOK_US)

    def result(self, ticket: int = 0) -> list[int]:
        """Ticket, quantity, outcome, lower, upper, pockets, retries, duration, cause."""
        return self.ask(f"REQ:RES? {ticket}" if ticket else "REQ:RES?")

    # ---- the hands --------------------------------------------------------------------------

    def put_right(self) -> None:
        """Do all that a person could; behind the guard if that is where the trouble is."""
        plant = self.plant
        if self.ask("UNIT:CAUS?")[0] in BEHIND_THE_GUARD:
            plant.guard(False)
            self.wait(SECOND_US // 4)
            plant.mend_index()
            plant.turn_to_dwell()
        plant.clear()
        plant.mend_beam()
        plant.reset_drive()
        plant.receiver(True)
        fill(plant)
        plant.guard(True)
        self.wait(SECOND_US // 4)

    # ---- both -------------------------------------------------------------------------------

    def wait(self, delay_us: int) -> None:
        """Let time pass."""
        self.module.run_until(self.module.now_us + delay_us)

    def act(self, name: str) -> None:
        """Give a command or do something by hand."""
        if name in COMMANDS:
            self.module.tell(COMMANDS[name])
        else:
            HANDS[name](self.plant)

    def play(self, script: Script) -> None:
        """Go through a script."""
        for delay_us, name in script:
            self.wait(delay_us)
            self.act(name)

    def run(self, ticket: int, quantity: int, script: Script) -> None:
        """One request, disturbed by a script, until it has closed."""
        self.ready()
        self.open(ticket, quantity)
        self.play(script)
        self.close()
