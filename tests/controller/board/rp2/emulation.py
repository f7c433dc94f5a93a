"""The step engine's programs in rp2040-pio-emulator, whose clock is one tick of the engine.

The emulator takes one instruction at a time, some 20,000 a second; most of them wait.  `states`
jumps over the waiting: in a jump that counts Y down to itself nothing else happens, so Y and the
clock may be moved on together.  A test compares it with the plain emulator.
"""

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import replace

from pioemu import ShiftRegister, State, emulate

from controller.board.rp2.programs import assemble
from tests.controller.board.rp2 import assembler

STEP, COUNT = assemble(assembler)
Pulse = tuple[int, int]  # (rise, fall) in ticks
Change = tuple[State, State]

EMPTY_OSR = ShiftRegister(0, 32)
SPARE = 2  # rounds of waiting that are left to the emulator


def instruction(word: int, state: State) -> State:
    """The state after an instruction put in from outside, in no time and with the pin put low."""
    found = next(
        emulate(
            [word],
            stop_when=lambda opcode, state: False,
            initial_state=replace(state, program_counter=0),
            side_set_count=1,
        )
    )
    return replace(found[1], clock=state.clock, program_counter=state.program_counter)


def states(start: State, hurry: bool = True) -> Iterator[Change]:
    """Run the step program from `start` on, for ever: (before, after) of each instruction."""
    after = start
    while True:
        run = emulate(
            STEP.words,
            stop_when=lambda opcode, state: False,
            initial_state=_skip(after) if hurry else after,
            auto_pull=True,
            side_set_count=1,
            wrap_target=STEP.wrap_target,
            wrap_top=STEP.wrap_top,
        )
        for before, after in run:
            yield before, after
            if hurry and _skip(after) is not after:
                break


def _skip(state: State) -> State:
    word = STEP.words[state.program_counter]
    holds = word & 0xE0E0 == 0x0080 and word & 31 == state.program_counter
    if not holds or state.y_register <= SPARE:
        return state
    rounds = state.y_register - SPARE
    return replace(state, clock=state.clock + rounds, y_register=SPARE)


def loaded(words: Sequence[int]) -> State:
    """An engine at rest with `words` in a queue that holds them all."""
    return State(transmit_fifo=deque(words))


def dry(state: State) -> bool:
    """True where the engine waits for a word, with the pin low."""
    return (
        state.program_counter == STEP.wrap_target
        and state.output_shift_register.counter >= 32
        and not state.transmit_fifo
        and not state.pin_values
    )


def pulses(words: Sequence[int], hurry: bool = True) -> list[Pulse]:
    """The pulses of `words`, until the engine is dry."""
    found: list[Pulse] = []
    rise = 0
    for before, after in states(loaded(words), hurry):
        if after.pin_values and not before.pin_values:
            rise = before.clock  # the pin goes up in the first tick of an instruction
        elif before.pin_values and not after.pin_values:
            found.append((rise, before.clock))
        if dry(after):
            break
    return found


def counted(wave: Sequence[int], start: State | None = None) -> State:
    """The count machine after a wave of pin levels, one for each of its clocks."""
    initial = start or instruction(0xA02B, State())  # mov x, ~null

    def level(clock: int) -> int:
        return wave[clock]

    run = emulate(
        COUNT.words,
        stop_when=lambda opcode, state: state.clock >= len(wave),
        initial_state=replace(initial, clock=0),
        input_source=level,
    )
    return deque(run, maxlen=1).pop()[1]
