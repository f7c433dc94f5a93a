"""The drive on the chip of the bench when things go wrong: guard, stalls, failures, power cuts."""

import sys
from collections.abc import Callable
from functools import partial
from types import FrameType
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.board.ports import CUT, RUNNING, STALLED
from controller.board.rp2.programs import StepParts
from controller.board.rp2.steps import PioDrive
from controller.motion.words import Move
from tests.controller.board.rp2.bench import Bench, check_pulses, ramp
from tests.controller.board.rp2.chip import CYCLES_US, Chip, Pin

RUN = Move(1, ramp(60, 100), 200, 100, ramp(60, 100, down=True))
NEXT = Move(-1, ramp(12, 100), 17, 100, ramp(12, 100, down=True))


# ---- the guard -----------------------------------------------------------------------------------


class Opened(Bench):
    """A bench whose guard opens before a given instruction of the drive is carried out.

    A hard interrupt comes between any two instructions of the interpreter; so the interpreter's own
    tracing calls the drive's `cut` there, as the guard's interrupt does.
    """

    def __init__(self) -> None:
        super().__init__(call_us=0.7)
        self.passed = 0  # instructions so far
        self.opened_at: int | None = None  # cycle

    def during(self, action: Callable[[], Any], instruction: int | None) -> None:
        """Carry out `action`, with the guard opening before its n-th instruction (None: not)."""
        self.passed = 0

        def trace(frame: FrameType, event: str, _: Any) -> Any:
            if not frame.f_code.co_filename.endswith(("steps.py", "feed.py")):
                return None
            frame.f_trace_opcodes = True
            if event == "opcode":
                if self.passed == instruction:
                    self.open()
                self.passed += 1
            return trace

        sys.settrace(trace)
        try:
            action()
        finally:
            sys.settrace(None)

    def open(self) -> None:
        before = sys.gettrace()
        sys.settrace(None)
        self.guard.move(0)
        self.drive.cut()
        self.opened_at = self.chip.now
        sys.settrace(before)


def acts() -> dict[str, tuple[Callable[[Opened], None], Callable[[Opened], Any]]]:
    """(what goes before, what the guard opens in) by name."""

    def running(bench: Opened) -> None:
        bench.start(RUN)
        bench.chip.pass_us(2_600)

    def cut(bench: Opened) -> None:
        running(bench)
        bench.open()
        bench.guard.move(1)

    def nothing(_: Opened) -> None:
        pass

    return {
        "start": (nothing, lambda bench: bench.start(RUN)),
        "start after a halt": (
            lambda bench: (running(bench), bench.drive.halt()),
            lambda bench: bench.start(RUN),
        ),
        "amend": (running, lambda bench: bench.drive.amend(100)),
        "amend in the head": (
            lambda bench: bench.start(RUN),
            lambda bench: bench.drive.amend(100),
        ),
        "halt": (running, lambda bench: bench.drive.halt()),
        "status": (running, lambda bench: bench.drive.status()),
        "poll": (running, lambda bench: bench.drive.poll()),
        "poll after a cut": (cut, lambda bench: bench.drive.poll()),
        "enable": (cut, lambda bench: bench.drive.enable(True)),
        "release": (running, lambda bench: bench.drive.enable(False)),
    }


@pytest.mark.parametrize("name", acts())
def test_the_guard_stops_the_motor_whatever_the_drive_is_doing(name: str) -> None:
    prepare, act = acts()[name]
    whole = Opened()
    prepare(whole)
    whole.during(partial(act, whole), None)
    assert whole.passed > 5
    for instruction in range(whole.passed):
        bench = Opened()
        prepare(bench)
        bench.during(partial(act, bench), instruction)
        check_cut(bench)
        check_ready_again(bench)


def check_cut(bench: Opened) -> None:
    """No pulse since the guard has opened, the motor released, and the drive says so."""
    assert bench.opened_at is not None
    for _ in range(3):
        assert bench.round() & (CUT | RUNNING) == CUT
    assert max(bench.chip.rises(), default=0) <= bench.opened_at
    assert bench.enable.value() == 0
    assert bench.chip.step_level == 0
    bench.check()
    bench.drive.enable(True)  # in vain: the guard is open
    assert bench.enable.value() == 0
    assert bench.drive.status()[0] & CUT
    bench.start(RUN)
    assert not bench.round() & RUNNING
    assert not bench.rises()


def check_ready_again(bench: Opened) -> None:
    bench.guard.move(1)
    assert bench.drive.status()[0] & CUT  # until somebody energises the motor again
    bench.drive.enable(True)
    assert not bench.drive.status()[0] & CUT
    bench.start(NEXT)
    bench.finish()
    check_pulses(bench, NEXT)
    bench.check()


def test_an_opening_guard_is_faster_than_the_next_pulse() -> None:
    bench = Opened()
    bench.start(RUN)
    bench.chip.pass_us(3_000)
    before = bench.chip.now
    bench.open()
    assert bench.chip.now - before <= 2 * bench.chip.call_cycles  # engine off, ENABLE off


def test_releasing_a_running_motor_stops_it_first() -> None:
    bench = Bench()
    bench.start(RUN)
    bench.chip.pass_us(3_000)
    bench.drive.enable(False)
    released_at = bench.enable.changes[-1][0]
    bench.chip.pass_us(3_000)
    assert max(bench.rises()) < released_at
    assert bench.drive.status() == (0, len(bench.rises()))
    bench.check()


# ---- stalls --------------------------------------------------------------------------------------


def test_a_stall_stays_until_the_next_start() -> None:
    bench = Bench()
    bench.stall.move(1)
    bench.stall.move(0)  # at rest it means nothing
    bench.start(RUN)
    assert bench.round() == RUNNING
    bench.stall.move(1)
    bench.stall.move(0)
    assert bench.round() == RUNNING | STALLED
    bench.drive.halt()
    assert bench.round() == STALLED
    bench.start(NEXT)
    assert bench.drive.status()[0] == RUNNING
    bench.finish()
    check_pulses(bench, NEXT)


def test_a_stall_output_that_never_goes_down_is_seen_once_the_motor_steps() -> None:
    bench = Bench()
    bench.stall.move(1)
    bench.start(RUN)
    bench.drive.poll()
    assert bench.drive.status() == (RUNNING, 0)
    while not bench.rises():
        bench.round(20)
    bench.round(20)
    assert bench.round() & STALLED


def test_a_driver_without_a_stall_output_never_stalls() -> None:
    bench = Bench(with_stall=False)
    bench.start(RUN)
    bench.finish()
    check_pulses(bench, RUN)


# ---- failures ------------------------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 65))
def test_a_feed_that_fails_is_a_move_that_does_not_end_and_counts_what_there_was(at: int) -> None:
    bench = Bench()
    bench.chip.fails_at = at
    bench.start(RUN)
    for _ in range(60):
        bench.round()
    sent = bench.chip.sent
    assert len(sent) == at
    assert len(bench.rises()) == sum((word & 0xFFF) + 1 for word in sent) < RUN.steps
    assert bench.drive.status() == (RUNNING, len(bench.rises()))
    bench.drive.halt()  # as the firmware does, a second after the last pulse was due
    assert bench.drive.status() == (0, len(bench.rises()))
    bench.start(NEXT)
    bench.finish()
    check_pulses(bench, NEXT)
    bench.check()


def test_a_contended_bus_makes_steps_late_and_loses_none() -> None:
    bench = Bench()
    bench.chip.contended_cycles = 150 * CYCLES_US  # longer than the engine takes for a word
    bench.start(RUN)
    bench.finish()
    assert len(bench.rises()) == RUN.steps
    assert bench.rises()[-1] - bench.rises()[0] > RUN.duration_ticks() * 25
    bench.check()


def test_the_count_machine_has_the_last_word() -> None:
    bench = Bench()
    bench.start(RUN)
    bench.chip.pass_us(3_000)
    flags, issued = bench.drive.status()
    bench.chip.machines[1].active(0)  # it breaks down
    for _ in range(60):
        assert bench.round() == flags == RUNNING
    assert bench.drive.status()[1] <= issued + 2


@pytest.mark.parametrize("after_us", [0, 300, 2_600, 3_001])
def test_after_a_power_cut_everything_is_at_rest(after_us: int) -> None:
    bench = Bench()
    bench.start(RUN)
    bench.chip.pass_us(after_us)
    chip = Chip()  # power is back
    signals = [Pin(chip) for _ in range(3)]
    drive = PioDrive(StepParts(chip.rp2, 125_000_000, *signals, Pin(chip, 1), None, 1), chip)
    chip.pass_us(50_000)
    assert drive.status() == (0, 0)
    assert not chip.edges
    assert signals[2].value() == 0
    assert not chip.broken


def test_a_clock_that_would_make_steps_jitter_is_refused() -> None:
    chip = Chip()
    signals = [Pin(chip) for _ in range(4)]
    for clock_hz in (125_000_000, 150_000_000, 200_000_000):
        StepParts(chip.rp2, clock_hz, *signals, None, 1)
    with pytest.raises(ValueError, match="133000000 Hz is not a multiple of 5000000 Hz"):
        StepParts(chip.rp2, 133_000_000, *signals, None, 1)
