"""Interrupts at any instant: between any two bytecodes of what the main loop does with its ports.

`interrupted(work, act, at)` runs `work` and calls `act`, once, before the bytecode with that number
of the board's own code.  The tests try every number there is; what must hold is conservation: every
edge is told once, in its order, and no lapse of the guard goes by unseen.
"""

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any

import pytest

from controller.board.ports import GUARD_CLOSED, POCKET_INDEX, POCKET_INDEX_LEFT
from tests.portable.test_rp2_inputs import BEAM, GUARD, INDEX, Bench

OWN = ("rp2/ring.py", "rp2/beam.py", "rp2/inputs.py", "rp2/clock.py")


def interrupted(work: Callable[[], Any], act: Callable[[], None], at: int) -> tuple[Any, bool]:
    """Return what `work` returns, and whether it was long enough to be interrupted there."""
    left = at

    def trace(frame: FrameType, event: str, _: Any) -> Any:
        nonlocal left
        if not frame.f_code.co_filename.endswith(OWN):
            return None
        frame.f_trace_opcodes = True
        if event == "opcode":
            if left == 0:
                act()
            left -= 1
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        result = work()
    finally:
        sys.settrace(before)
    return result, left < 0


def everywhere(try_at: Callable[[int], bool]) -> int:
    """Try interruption 0, 1, 2 ... until there is no such place any more; return how many."""
    at = 0
    while try_at(at):
        at += 1
    return at


@pytest.mark.parametrize("waiting", [0, 1, 2])
def test_no_beam_edge_is_lost_doubled_or_out_of_order(waiting: int) -> None:
    def try_at(at: int) -> bool:
        bench = Bench()
        expected = []
        for number in range(waiting):
            bench.put(BEAM, number % 2, 10 + number)
            expected.append((10 + number, 1 - number % 2))

        def edges() -> None:
            for number in range(waiting, waiting + 2):
                bench.put(BEAM, number % 2, 100 + number)
                expected.append((100 + number, 1 - number % 2))

        def look() -> list[tuple[int, int]]:
            bench.clock.begin_round()
            return bench.beam.drain()

        bench.chip.now_us = 100
        told, there = interrupted(look, edges, at)
        assert all(at_us <= bench.clock.round_us for at_us, _ in told)
        bench.round(1_000)
        told += bench.beam.drain()
        assert told == expected
        assert bench.beam.read()[1] == 0
        return there

    assert everywhere(try_at) > 30


def test_no_lapse_of_the_guard_goes_by_unseen_and_none_is_held_for_ever() -> None:
    def try_at(at: int) -> bool:
        bench = Bench()
        shut = []

        def lapse() -> None:
            bench.put(GUARD, 0, bench.chip.now_us + 1)
            bench.put(GUARD, 1, bench.chip.now_us + 1)

        def look() -> None:
            bench.clock.begin_round()
            shut.append(bench.inputs.levels() & GUARD_CLOSED)
            bench.inputs.drain()

        bench.chip.now_us = 100
        _, there = interrupted(look, lapse, at)
        assert bench.cuts == (2 if there else 0)
        assert bench.inputs.waiting or not there or not shut[0]
        for now_us in (1_000, 2_000):
            bench.chip.now_us = now_us
            look()
        assert (not all(shut)) == there
        assert shut[-1]
        return there

    assert everywhere(try_at) > 60


def test_no_index_edge_is_lost_among_changes_of_level() -> None:
    def try_at(at: int) -> bool:
        bench = Bench()
        bench.put(INDEX, 1, 20)
        bench.put(GUARD, 0, 30)

        def edges() -> None:
            bench.put(GUARD, 1, 110)
            bench.put(INDEX, 0, 120)

        def look() -> list[tuple[int, int]]:
            bench.clock.begin_round()
            bench.inputs.levels()
            return bench.inputs.drain()

        bench.chip.now_us = 100
        told, there = interrupted(look, edges, at)
        bench.chip.now_us = 1_000
        told += look()
        index = [(at_us, code) for at_us, code in told if code != 2]
        assert index == [(20, POCKET_INDEX)] + [(120, POCKET_INDEX_LEFT)] * there
        assert [at_us for at_us, _ in told] == sorted(at_us for at_us, _ in told)
        return there

    assert everywhere(try_at) > 60
