"""Clock, beam and inputs of a board: stamps, levels, lapses, and interrupts that need no memory."""

import sys

from controller.board.ports import (
    DRIVE_HEALTHY,
    GIVE,
    GUARD_CLOSED,
    LEVELS_CHANGED,
    MAGAZINE_OK,
    POCKET_INDEX,
    POCKET_INDEX_LEFT,
)
from controller.board.rp2.beam import RING_EDGES, Beam
from controller.board.rp2.clock import Clock
from controller.board.rp2.inputs import RING_INDEX, Inputs
from tests.portable.chip import TICKS_PERIOD, Chip
from tests.portable.chipunits import Machine, Time

BEAM, TEST, GUARD, MAGAZINE, FAULT, ROBOT, INDEX = range(7)
BOTH = 12
HALF_US = TICKS_PERIOD // 2


class Bench:
    """Beam and inputs on one chip; light in the beam, everything on its safe side."""

    def __init__(self, now_us=0):
        self.chip = Chip(now_us)
        self.chip.call_us = 0  # time passes where a test says so
        machine = Machine(self.chip)
        self.clock = Clock(Time(self.chip))
        self.cuts = 0
        pin = machine.Pin
        for gpio in (BEAM, GUARD, MAGAZINE, FAULT):
            self.chip.drive(gpio, 1)
        self.test_pin = pin(TEST, pin.OUT, value=0)
        self.beam = Beam(pin(BEAM, pin.IN), 0, machine.Signal(self.test_pin), self.clock, BOTH)
        levels = (
            (GUARD_CLOSED, pin(GUARD, pin.IN), 1),
            (MAGAZINE_OK, pin(MAGAZINE, pin.IN), 1),
            (DRIVE_HEALTHY, pin(FAULT, pin.IN), 1),
            (GIVE, pin(ROBOT, pin.IN), 1),
        )
        index = (pin(INDEX, pin.IN), 1, POCKET_INDEX, POCKET_INDEX_LEFT)
        self.inputs = Inputs(levels, index, self._cut, self.clock, BOTH)

    def _cut(self):
        self.cuts += 1

    def put(self, gpio, level, at_us):
        self.chip.now_us = at_us
        self.chip.drive(gpio, level)

    def round(self, at_us):
        self.chip.now_us = at_us
        return self.clock.begin_round()


# ---- clock ---------------------------------------------------------------------------------------


def test_the_clock_only_grows_over_many_turns_of_its_counter():
    for begin_us in (0, TICKS_PERIOD - 7, 5 * TICKS_PERIOD + 3):
        bench = Bench(begin_us)
        for step_us in (1, 1_000, 100_000, HALF_US - 1):
            last_us = bench.clock.round_us
            for turn in range(1, 9):
                now_us = bench.round(bench.chip.now_us + step_us)
                assert now_us == last_us + turn * step_us
        assert bench.clock.round_us == bench.chip.now_us - begin_us
        bench.chip.now_us += 12_345
        assert bench.clock.now_us() == bench.clock.round_us + 12_345
        assert bench.clock.round_us == bench.chip.now_us - begin_us - 12_345


def test_a_stamp_is_right_however_late_it_is_read_and_wherever_the_counter_turns():
    for begin_us in range(TICKS_PERIOD - 40, TICKS_PERIOD + 40, 8):
        for late_us in (0, 1, 17, 1_000_000, HALF_US - 2_000):
            bench = Bench(begin_us - 1_000)
            bench.put(BEAM, 0, begin_us)
            bench.round(begin_us + late_us)
            assert bench.beam.drain() == [(1_000, 1)], (begin_us, late_us)


def test_a_stamp_of_the_present_round_waits_for_the_next_one():
    bench = Bench()
    bench.round(500)
    bench.put(BEAM, 0, 510)
    bench.put(INDEX, 1, 511)
    assert bench.beam.drain() == [] and bench.inputs.drain() == []
    bench.round(600)
    assert bench.beam.drain() == [(510, 1)]
    assert bench.inputs.drain() == [(511, POCKET_INDEX)]


# ---- beam ----------------------------------------------------------------------------------------


def test_edges_come_with_stamp_and_level_in_their_order():
    bench = Bench()
    for at_us, level in ((100, 0), (9_000, 1), (9_050, 0), (9_100, 1)):
        bench.put(BEAM, level, at_us)
    bench.round(10_000)
    assert bench.beam.drain() == [(100, 1), (9_000, 0), (9_050, 1), (9_100, 0)]
    assert bench.beam.drain() == []
    assert bench.beam.read() == (0, 0)


def test_a_cut_wire_reads_blocked():
    bench = Bench()
    bench.put(BEAM, 0, 10)
    assert bench.beam.read()[0] == 1


def test_a_pulse_that_is_over_before_the_interrupt_is_a_pulse_of_no_length():
    bench = Bench()
    bench.chip.interrupts_off = True
    bench.put(BEAM, 0, 100)
    bench.put(BEAM, 1, 110)
    bench.chip.now_us = 120
    bench.chip.allow_interrupts(True)
    bench.put(BEAM, 0, 500)
    bench.round(1_000)
    assert bench.beam.drain() == [(120, 1), (120, 0), (500, 1)]
    assert bench.beam.read() == (1, 0)


def test_edges_beyond_the_ring_are_counted_and_overwrite_nothing():
    bench = Bench()
    edges = RING_EDGES + 100
    for number in range(edges):
        bench.put(BEAM, number % 2, 100 + number)
    bench.round(10_000)
    kept = RING_EDGES - 1
    assert bench.beam.drain() == [(100 + number, 1 - number % 2) for number in range(kept)]
    assert bench.beam.read() == (0, edges - kept)
    bench.put(BEAM, 0, 20_000)
    bench.put(BEAM, 1, 20_010)
    bench.round(30_000)
    assert bench.beam.drain() == [(20_000, 1), (20_010, 0)]
    assert bench.beam.read() == (0, edges - kept)


def test_edges_while_flash_is_written_are_told_and_counted_as_lost():
    bench = Bench()
    bench.beam.distrust(True)
    bench.put(BEAM, 0, 100)
    bench.beam.distrust(False)
    bench.put(BEAM, 1, 200)
    bench.round(1_000)
    assert bench.beam.drain() == [(100, 1), (200, 0)]
    assert bench.beam.read() == (0, 1)


def test_the_test_output_is_off_at_first_and_follows():
    bench = Bench()
    assert bench.test_pin.value() == 0
    bench.beam.test(True)
    assert bench.test_pin.value() == 1
    bench.beam.test(False)
    assert bench.test_pin.value() == 0


# ---- inputs --------------------------------------------------------------------------------------

ALL = GUARD_CLOSED | MAGAZINE_OK | DRIVE_HEALTHY


def test_levels_are_those_of_the_pins_and_changes_call_for_a_round():
    bench = Bench()
    assert bench.inputs.levels() == ALL and not bench.inputs.waiting
    bench.put(ROBOT, 1, 100)
    assert bench.inputs.waiting
    bench.round(200)
    assert bench.inputs.levels() == ALL | GIVE
    assert bench.inputs.drain() == [(100, LEVELS_CHANGED)]
    assert not bench.inputs.waiting
    bench.put(MAGAZINE, 0, 300)
    bench.round(400)
    assert bench.inputs.levels() == GUARD_CLOSED | DRIVE_HEALTHY | GIVE
    assert bench.inputs.drain() == [(300, LEVELS_CHANGED)]


def test_a_lapse_of_guard_or_drive_is_held_until_it_was_shown_and_drained():
    for gpio, bit in ((GUARD, GUARD_CLOSED), (FAULT, DRIVE_HEALTHY)):
        bench = Bench()
        bench.put(gpio, 0, 100)
        bench.put(gpio, 1, 101)
        bench.round(200)
        bench.inputs.drain()  # drained before it was shown: that acknowledges nothing
        assert bench.inputs.levels() == ALL & ~bit
        assert bench.inputs.levels() == ALL & ~bit
        bench.inputs.drain()
        assert bench.inputs.levels() == ALL


def test_a_lapse_between_looking_and_draining_is_shown_in_the_next_round():
    bench = Bench()
    bench.round(50)
    assert bench.inputs.levels() == ALL
    bench.put(GUARD, 0, 100)
    bench.put(GUARD, 1, 101)
    bench.inputs.drain()
    assert bench.inputs.waiting
    bench.round(200)
    assert bench.inputs.levels() == ALL & ~GUARD_CLOSED
    bench.inputs.drain()
    assert bench.inputs.levels() == ALL and not bench.inputs.waiting


def test_a_change_behind_one_that_was_shown_calls_for_a_round_of_its_own():
    bench = Bench()
    bench.put(MAGAZINE, 0, 90)
    bench.round(100)
    assert bench.inputs.levels() == ALL & ~MAGAZINE_OK
    bench.put(ROBOT, 1, 110)
    assert bench.inputs.drain() == [(90, LEVELS_CHANGED)]
    assert bench.inputs.waiting
    bench.round(200)
    assert bench.inputs.levels() == ALL & ~MAGAZINE_OK | GIVE
    bench.inputs.drain()
    assert not bench.inputs.waiting


def test_the_guard_cuts_the_drive_in_its_interrupt_also_when_it_is_shut_again_by_then():
    bench = Bench()
    bench.put(GUARD, 0, 100)
    assert bench.cuts == 1
    bench.chip.interrupts_off = True
    bench.put(GUARD, 1, 200)
    bench.put(GUARD, 0, 201)
    bench.put(GUARD, 1, 202)
    bench.chip.allow_interrupts(True)
    assert bench.cuts == 2
    assert not bench.inputs.levels() & GUARD_CLOSED


def test_index_edges_come_in_their_order_among_other_changes_and_chatter_hides_none():
    bench = Bench()
    bench.put(INDEX, 1, 100)
    for number in range(5_000):  # a loose wire
        bench.put(ROBOT, 1 - number % 2, 150 + number)
    bench.put(INDEX, 0, 6_000)
    bench.round(7_000)
    bench.inputs.levels()
    assert bench.inputs.drain() == [
        (100, POCKET_INDEX),
        (150, LEVELS_CHANGED),
        (6_000, POCKET_INDEX_LEFT),
    ]


def test_index_edges_beyond_their_ring_leave_the_oldest():
    bench = Bench()
    for number in range(2 * RING_INDEX):
        bench.put(INDEX, 1 - number % 2, 100 + number)
    bench.round(7_000)
    assert [at_us for at_us, _ in bench.inputs.drain()] == [100 + n for n in range(RING_INDEX - 1)]


def test_no_interrupt_allocates_memory():
    if sys.implementation.name != "micropython":
        return
    import micropython  # noqa: PLC0415  there is none elsewhere

    bench = Bench(TICKS_PERIOD - 2)  # the largest stamps
    handlers = [(state.handler, state.owner) for state in bench.chip.pins.values() if state.handler]
    bench.beam.distrust(True)
    assert len(handlers) == 6
    bench.chip.in_interrupt = True  # time stands still
    for _ in range(2 * RING_EDGES):  # full rings, too
        micropython.heap_lock()
        try:
            for handler, pin in handlers:
                handler(pin)
        finally:
            micropython.heap_unlock()
    assert bench.beam.read()[1] > 0 and bench.cuts == 2 * RING_EDGES
