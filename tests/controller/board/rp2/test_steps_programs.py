"""The PIO programs, instruction by instruction and tick by tick.

From outside: `adafruit_pioasm` assembles the same programs from text; rp2040-pio-emulator carries
the instructions out.  What the pulses should be is worked out from the words' documentation alone.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import replace
from itertools import accumulate, pairwise

import adafruit_pioasm
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pioemu import State

from controller.motion.pace import Pace
from controller.motion.place import Place
from controller.motion.words import OVERHEAD_TICKS, PULSE_TICKS, TICK_HZ, Move, pack
from hostsim.config import load
from tests.controller.board.rp2.emulation import (
    COUNT,
    EMPTY_OSR,
    STEP,
    counted,
    dry,
    instruction,
    loaded,
    pulses,
    states,
)

STEP_TEXT = """
.program step
.side_set 1
.wrap_target
    out x, 12       side 0
    out isr, 20     side 0
load:
    mov y, isr      side 0
hold:
    jmp y-- hold    side 0
    jmp x-- again   side 1 [9]
.wrap
again:
    jmp load        side 0 [1]
"""
COUNT_TEXT = """
.program count
.wrap_target
top:
    wait 0 pin 0
    wait 1 pin 0
    jmp x-- top
.wrap
"""

# Pulse of 2 us at 5 MHz: stepper driver chips ask for 0.1 to 2 us (common practice, no source).
PULSE = 10
FIRST_EARLY_TICKS = PULSE - 1  # before the first pulse there is none to wait for
SHORTEST = 14
LONGEST = 1_048_589

Segments = list[tuple[int, int]]  # (steps, ticks)


def words(segments: Segments) -> list[int]:
    return [pack(steps, ticks) for steps, ticks in segments]


def planned(segments: Iterable[tuple[int, int]]) -> list[int]:
    """When each step should rise: the sum of the intervals so far; all early by the same."""
    return [
        tick - FIRST_EARLY_TICKS
        for tick in accumulate(ticks for steps, ticks in segments for _ in range(steps))
    ]


def of_steps(most_steps: int, most_ticks: int, size: int) -> st.SearchStrategy[Segments]:
    pairs = st.tuples(st.integers(1, most_steps), st.integers(SHORTEST, most_ticks))
    return st.lists(pairs, min_size=1, max_size=size)


@pytest.mark.parametrize(
    ("text", "program"), [(STEP_TEXT, STEP), (COUNT_TEXT, COUNT)], ids=["step", "count"]
)
def test_both_assemblers_make_the_same_words(text, program) -> None:
    other = adafruit_pioasm.Program(text)
    assert program.words == list(other.assembled)
    assert program.wrap_target == other.pio_kwargs["wrap_target"]
    assert program.wrap_top == other.pio_kwargs["wrap"]


def test_the_programs_and_the_words_speak_of_the_same_ticks() -> None:
    (rise, fall), (later, _) = pulses([pack(2, OVERHEAD_TICKS)])
    assert later - rise == OVERHEAD_TICKS == SHORTEST
    assert fall - rise == PULSE_TICKS == PULSE
    assert PULSE / TICK_HZ == 2e-6


def test_the_programs_fit_one_block_of_the_chip_several_times_over() -> None:
    assert len(STEP.words) == 6
    assert len(STEP.words) + len(COUNT.words) <= 32 // 3  # a block holds 32 instructions


@settings(max_examples=25)
@given(of_steps(25, 1500, 6))
def test_every_pulse_rises_at_its_tick_and_is_as_long_as_all_others(segments: Segments) -> None:
    found = pulses(words(segments))
    assert [rise for rise, _ in found] == planned(segments)
    assert {fall - rise for rise, fall in found} == {PULSE}


@settings(max_examples=10)
@given(of_steps(4, 40, 5))
def test_jumping_over_the_waiting_changes_nothing(segments: Segments) -> None:
    assert pulses(words(segments)) == pulses(words(segments), hurry=False)


@pytest.mark.parametrize(
    "segments",
    [
        [(4096, SHORTEST)],
        [(1, LONGEST), (1, SHORTEST), (1, LONGEST)],
        [(3, 14), (2, 200_000), (3, 15), (1, 1_000_000), (4, 14)],
        [(1, ticks) for ticks in range(14, 60)],
    ],
    ids=["longest word", "longest interval", "jumps", "single steps"],
)
def test_extremes(segments: Segments) -> None:
    assert [rise for rise, _ in pulses(words(segments))] == planned(segments)


@pytest.mark.parametrize(("rate_steps_s", "ticks"), [(100_000, 50), (357_142, 14)])
def test_the_engine_keeps_up_a_rate(rate_steps_s: int, ticks: int) -> None:
    found = pulses(words([(6, ticks)] * 100))  # as a cruise comes: six steps a word
    assert len(found) == 600
    assert {later - rise for (rise, _), (later, _) in pairwise(found)} == {ticks}
    assert ticks / 5_000_000 <= 1 / rate_steps_s


@pytest.mark.parametrize("name", ["m4_nut", "m4_washer", "m4x12_socket_screw"])
def test_what_is_planned_for_a_module_comes_out_of_the_pin(name: str) -> None:
    settings = load(f"configs/{name}.toml").settings
    place = Place(settings)
    planner = Pace(settings, place.ratio).planner
    for move in (planner.move(place.pitch // 3, 1), planner.move(planner.ramp_steps * 2 + 40, -1)):
        found = pulses(list(move.head) + _cruise(move) + list(move.tail))
        assert [rise for rise, _ in found] == planned(move.pairs())
        assert found[-1][0] + FIRST_EARLY_TICKS == move.duration_ticks()


def _cruise(move: Move) -> list[int]:
    whole, rest = divmod(move.cruise_steps, 6)
    return words([(6, move.cruise_ticks)] * whole + [(rest, move.cruise_ticks)][: min(rest, 1)])


@settings(max_examples=40)
@given(of_steps(8, 300, 8), st.data())
def test_a_starved_engine_is_late_by_the_wait_and_loses_nothing(
    segments: Segments, data: st.DataObject
) -> None:
    gaps = st.lists(st.integers(0, 3_000), min_size=len(segments), max_size=len(segments))
    arrivals = list(accumulate(data.draw(gaps, label="gaps")))
    rises, falls = [], []
    state = loaded([])
    for arrival, word in zip(arrivals, words(segments), strict=True):
        for before, after in _until(state, arrival):
            rises += [before.clock] if after.pin_values and not before.pin_values else []
            falls += [before.clock] if before.pin_values and not after.pin_values else []
            state = after
        waited = max(state.clock, arrival) if dry(state) else state.clock
        state = replace(state, clock=waited, transmit_fifo=deque([*state.transmit_fifo, word]))
    for before, after in _until_dry(state):
        rises += [before.clock] if after.pin_values and not before.pin_values else []
        falls += [before.clock] if before.pin_values and not after.pin_values else []
    assert len(rises) == sum(steps for steps, _ in segments)
    assert {fall - rise for rise, fall in zip(rises, falls, strict=True)} == {PULSE}
    earlier = -PULSE  # before the first word nothing holds the engine up
    ordered = iter(rises)
    for (steps, ticks), arrival in zip(segments, arrivals, strict=True):
        for nth in range(steps):
            rise = next(ordered)
            # A word that comes to a dry engine counts from its coming, as one that is there does
            # from the end of the pulse before; it takes a tick or two to be taken in.
            wait = max(arrival - (earlier + PULSE), 0) if nth == 0 else 0
            assert 0 <= rise - earlier - ticks - wait <= (2 if nth == 0 else 0)
            earlier = rise


def _until(state: State, clock: int) -> Iterable[tuple[State, State]]:
    """Run while the engine has something to do before `clock`."""
    if dry(state):
        return
    for before, after in states(state):
        if after.clock > clock:
            return
        yield before, after
        if dry(after):
            return


@settings(max_examples=60)
@given(of_steps(6, 40, 4), st.data())
def test_a_stop_at_any_tick_counts_right_and_the_next_move_is_whole(
    segments: Segments, data: st.DataObject
) -> None:
    last = planned(segments)[-1] + PULSE + 5
    stop = data.draw(st.integers(1, last), label="stop")
    wave, state = _up_to(stop, words(segments))
    rises = sum(1 for before, after in zip([0, *wave], wave, strict=False) if after > before)
    wave += [wave[-1]] * PULSE  # the pin stays as it is for a pulse, and is then put low
    wave += [0] * 4
    longs = [len(run) for run in "".join(map(str, wave)).split("0") if run]
    assert all(long >= PULSE for long in longs)
    # The count, as it is asked for: mov isr, ~x, whose value then goes to the processor.
    asked = instruction(0xA0C9, counted(wave))
    assert asked.input_shift_register.contents == rises
    # SM_RESTART, an empty queue, and a jump to the beginning: the next move knows nothing of it.
    fresh = replace(
        instruction(0x0000, state),
        program_counter=STEP.wrap_target,
        transmit_fifo=deque(words(segments)),
        output_shift_register=EMPTY_OSR,
        clock=0,
    )
    assert not fresh.pin_values
    again = [
        before.clock
        for before, after in _until_dry(fresh)
        if after.pin_values and not before.pin_values
    ]
    assert again == planned(segments)


def _until_dry(start: State) -> Iterable[tuple[State, State]]:
    for before, after in states(start):
        yield before, after
        if dry(after):
            return


def _up_to(stop: int, queued: list[int]) -> tuple[list[int], State]:
    """The pin in each tick before `stop`, and the engine's state then."""
    wave: list[int] = []
    for before, after in states(loaded(queued), hurry=False):
        wave += [after.pin_values] * (after.clock - before.clock)
        if len(wave) >= stop:
            return wave[:stop], after
    raise AssertionError("the emulator stops of its own")


@settings(max_examples=15)
@given(of_steps(10, 60, 5), st.integers(1, 4))
def test_the_count_machine_counts_every_pulse(segments: Segments, clocks_a_tick: int) -> None:
    found = pulses(words(segments))
    wave = [0] * (found[-1][1] + 2)
    for rise, fall in found:
        wave[rise:fall] = [1] * (fall - rise)
    state = counted([level for level in wave for _ in range(clocks_a_tick)])
    assert 0xFFFFFFFF - state.x_register == len(found)
