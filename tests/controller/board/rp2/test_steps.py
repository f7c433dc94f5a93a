"""The drive on the chip of the bench: moves, amendments and stops, at any instant."""

from array import array
from bisect import bisect_left

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller.board.ports import RUNNING
from controller.motion.words import Move, pack
from tests.controller.board.rp2.bench import (
    PULSE_CYCLES,
    Bench,
    check_pulses,
    handed_over,
    moves,
    ramp,
)
from tests.controller.board.rp2.emulation import pulses

RUN = Move(1, ramp(80, 100), 400, 100, ramp(80, 100, down=True))
BACK = Move(-1, ramp(30, 200), 7, 200, ramp(30, 200, down=True))
RUN_US = 16_000  # it lasts as long


def test_the_run_lasts_as_long_as_these_tests_take_it_to() -> None:
    assert RUN_US - 1_000 < RUN.duration_ticks() / 5 < RUN_US


@settings(max_examples=30, deadline=None)
@given(st.lists(moves(), min_size=1, max_size=3))
def test_moves_come_out_as_ordered_one_after_the_other(ordered: list[Move]) -> None:
    bench = Bench()
    for move in ordered:
        bench.start(move)
        assert bench.drive.status()[0] == RUNNING
        bench.finish()
        check_pulses(bench, move)
        bench.check()
        assert bench.drive.status() == (0, move.steps)


@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 9), st.integers(14, 400)), min_size=1, max_size=8))
def test_the_chip_of_the_bench_makes_the_pulses_of_the_emulator(pairs: list) -> None:
    words = [pack(*pair) for pair in pairs]
    machine = Bench().chip.machines[0]
    chip = machine.chip
    begun_at = chip.now
    machine.active(1)
    for word in words:
        machine.push(word)
    chip.pass_us(20_000)
    ups = [(cycle - begun_at) // 25 for cycle, _ in chip.edges]
    emulated = [tick for pulse in pulses(words) for tick in pulse]
    assert [tick - ups[0] for tick in ups] == [tick - emulated[0] for tick in emulated]


@settings(max_examples=20, deadline=None)
@given(moves(), st.lists(st.integers(1, 2_000), min_size=1, max_size=20))
def test_the_count_is_that_of_the_pin_at_any_instant(move: Move, waits: list[int]) -> None:
    bench = Bench()
    bench.start(move)
    for wait_us in waits:
        bench.chip.pass_us(wait_us)
        before = len(bench.rises())
        flags, issued = bench.drive.status()
        assert before <= issued <= len(bench.rises())
        assert bool(flags & RUNNING) == (issued < move.steps)


@pytest.mark.parametrize("cruise", [*range(13), 4095, 4096, 4097])
def test_every_length_of_cruise(cruise: int) -> None:
    bench = Bench()
    move = Move(1, ramp(5, 60), cruise, 60, ramp(5, 60, down=True))
    bench.start(move)
    bench.finish()
    check_pulses(bench, move)


@settings(max_examples=60, deadline=None)
@given(moves(), st.data())
def test_a_move_can_be_shortened_at_any_instant(move: Move, data: st.DataObject) -> None:
    assume(move.cruise_steps)
    bench = Bench(call_us=data.draw(st.sampled_from([0.3, 1.0, 3.0]), label="call us"))
    # A slow bus stretches what takes a fraction of a microsecond, until it is met with.
    bench.chip.contended_cycles = data.draw(st.sampled_from([0, 20]), label="contended")
    bench.start(move)
    for _ in range(data.draw(st.integers(1, 3), label="times")):
        bench.chip.pass_us(data.draw(st.integers(0, move.duration_ticks() // 5), label="after"))
        cruise = data.draw(st.integers(0, move.cruise_steps), label="cruise")
        obeyed = bench.drive.amend(cruise)
        if obeyed:
            move = move.amended(cruise)
        else:  # too late, because words for more steps had gone out by then; for no other reason
            assert handed_over(bench, move) > cruise
    bench.finish()
    check_pulses(bench, move)
    bench.check()


@settings(max_examples=60, deadline=None)
@given(st.integers(0, RUN_US), st.integers(0, 40))
def test_a_caller_that_leaves_what_is_in_flight_is_obeyed(after_us: int, more: int) -> None:
    # 64 steps, as the port has it, and six for the time that the order itself takes.
    bench = Bench()
    bench.start(RUN)
    bench.chip.pass_us(after_us)
    cruise = max(0, len(bench.rises()) + 70 - 80) + more
    assume(cruise <= RUN.cruise_steps)
    assert bench.drive.amend(cruise)
    bench.finish()
    check_pulses(bench, RUN.amended(cruise))


@pytest.mark.parametrize("after_us", [5_000, 6_010, 8_000, 9_999])
def test_a_run_stops_within_the_words_in_flight_and_its_ramp(after_us: int) -> None:
    def obeyed(cruise: int) -> Bench | None:
        bench = Bench()
        bench.start(RUN)
        bench.chip.pass_us(after_us)
        return bench if bench.drive.amend(cruise) else None

    shortest = bisect_left(range(RUN.cruise_steps), True, key=lambda cruise: bool(obeyed(cruise)))
    bench = obeyed(shortest)
    assert bench is not None
    # Ten words of six steps, less what of the first one is out already.
    assert 54 <= 80 + shortest - len(bench.rises()) <= 60
    bench.finish()
    check_pulses(bench, RUN.amended(shortest))


@settings(max_examples=80, deadline=None)
@given(moves(60), st.integers(0, 3_000), st.sampled_from([0.1, 1.0, 5.0]), moves(60))
def test_a_halt_at_any_instant_counts_right_and_the_next_move_is_whole(
    move: Move, after_us: int, call_us: float, following: Move
) -> None:
    bench = Bench(call_us)
    bench.start(move)
    bench.chip.pass_us(after_us)
    asked_at = bench.chip.now
    bench.drive.halt()
    last = max(bench.rises(), default=0)
    # The engine is off one access later; nothing comes after that.
    assert last <= asked_at + bench.chip.call_cycles
    assert bench.drive.status() == (0, len(bench.rises()))
    bench.chip.pass_us(5_000)
    assert max(bench.rises(), default=0) == last
    bench.check()
    assert bench.chip.step_level == 0
    bench.start(following)
    bench.finish()
    check_pulses(bench, following)
    bench.check()


def test_a_halt_in_the_middle_of_a_pulse_makes_it_longer_not_shorter() -> None:
    for into in range(0, 250, 10):
        bench = Bench(call_us=0.1)
        bench.start(RUN)
        while not bench.rises():
            bench.chip.pass_us(0.2)
        while len(bench.rises()) < 3:
            bench.chip.run(bench.chip.now + 5)
        rise = bench.rises()[-1]
        bench.chip.run(rise + into)
        bench.drive.halt()
        assert bench.chip.edges[-1][0] - rise >= PULSE_CYCLES
        assert bench.drive.status() == (0, 3)
        bench.check()


@pytest.mark.parametrize("tail", [0, 3])
@pytest.mark.parametrize("cruise", range(8))
def test_a_move_can_be_cut_to_next_to_nothing_while_it_speeds_up(cruise: int, tail: int) -> None:
    bench = Bench()
    move = Move(1, ramp(80, 100), 300, 100, ramp(tail, 100, down=True))
    bench.start(move)
    bench.chip.pass_us(300)
    assert bench.drive.amend(200)
    bench.chip.pass_us(100)
    assert bench.drive.amend(cruise)
    bench.finish()
    check_pulses(bench, move.amended(cruise))
    bench.check()


def test_halting_at_rest_is_nothing() -> None:
    bench = Bench()
    bench.drive.halt()
    assert bench.drive.status() == (0, 0)
    bench.start(RUN)
    bench.finish()
    bench.drive.halt()
    assert bench.drive.status() == (0, RUN.steps)
    bench.start(BACK)
    bench.finish()
    check_pulses(bench, BACK)


def test_an_order_at_rest_is_not_obeyed() -> None:
    bench = Bench()
    assert not bench.drive.amend(0)
    bench.start(RUN)
    assert not bench.drive.amend(401)
    assert bench.drive.amend(400)
    bench.finish()
    assert not bench.drive.amend(0)
    check_pulses(bench, RUN)


@pytest.mark.parametrize("call_us", [0.2, 1.0])
def test_direction_stands_before_the_fastest_first_pulse_and_behind_the_last(
    call_us: float,
) -> None:
    bench = Bench(call_us)
    nothing = array("I")
    for direction in (1, -1, 1):
        bench.start(Move(direction, nothing, 50, 14, nothing))
        bench.finish()
    turns = [cycle for cycle, _ in bench.direction.changes]
    rises = bench.chip.rises()
    for turn, first in zip(turns, rises[::50], strict=True):
        assert first - turn >= 10 * 125  # opto-couplers ask for 5 us (common practice, no source)
    for turn, last in zip(turns[1:], rises[49::50], strict=False):
        assert turn - last >= 5 * 125


def test_a_move_can_be_shortened_while_the_next_block_is_being_set_up() -> None:
    # The one moment at which both channels are between two states, cycle by cycle.
    move = Move(1, ramp(2, 100), 300, 100, ramp(5, 100, down=True))
    for after in range(0, 260, 5):
        bench = Bench(call_us=0.3)
        chip = bench.chip
        chip.contended_cycles = 20
        bench.start(move)
        chip.run(chip.now + after)
        assert bench.drive.amend(120)
        bench.finish()
        check_pulses(bench, move.amended(120))
        bench.check()
