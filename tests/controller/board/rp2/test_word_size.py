"""A board's interrupts in a 32-bit MicroPython, where numbers beyond 30 bits need memory.

The board's code comes from a bundle, as it goes onto a board.  A handler that allocates is silenced
by MicroPython for good, so none may, with the largest ticks there are, full rings and counts about
to go round.  The clock must be right across the turn of its counter, which is 2^30 there.
"""

from pathlib import Path

import pytest

from hostsim.bundle import build
from hostsim.bundle.boards import BOARDS
from hostsim.config import load
from tests.wasm32 import START, run

FAKES = """
import micropython
TURN = 1 << 30

class Time:
    ticks = 0
    def ticks_us(self):
        return self.ticks
    def ticks_diff(self, end, start):
        return (end - start + TURN // 2) % TURN - TURN // 2

class Pin:
    level = 1
    handler = None
    def value(self, level=None):
        return self.level
    def irq(self, handler, trigger, hard):
        self.handler = handler

time = Time()
"""
CLOCK = """
from controller.board.rp2.clock import Clock
time.ticks = TURN - 5
clock = Clock(time)
wrong = 0
passed = 0
most = TURN // 2 - 1
for step in (3, 1, 1, 100000, most, 7, most, most, most, 123456):
    stamp = (time.ticks + step // 2) % TURN
    time.ticks = (time.ticks + step) % TURN
    passed += step
    wrong += clock.begin_round() != passed
    wrong += clock.at_us(stamp) != passed - step + step // 2
ask("told", json.dumps([wrong, passed]))
"""
INTERRUPTS = """
from controller.board.rp2.beam import Beam
from controller.board.rp2.clock import Clock
from controller.board.rp2.inputs import Inputs
from controller.board.rp2.uart import UartLine
clock = Clock(time)
pins = [Pin() for _ in range(7)]
beam = Beam(pins[0], 0, pins[1], clock, 12)
cuts = bytearray(1)

def cut():
    cuts[0] = (cuts[0] + 1) & 255

levels = ((1, pins[2], 1), (8, pins[3], 1), (16, pins[4], 1))
inputs = Inputs(levels, (pins[5], 1, 1, 3), cut, clock, 12)

class Uart:
    done = True
    def txdone(self):
        return self.done
    def write(self, data):
        return len(data)

class Timer:
    PERIODIC = 1
    def init(self, mode, period, tick_hz, callback, hard):
        self.callback = callback
    def deinit(self):
        pass

timer = Timer()
line = UartLine(Uart(), 1024, pins[6], timer)
line.write(b"x")
time.ticks = TURN - 1
handlers = [(pin.handler, pin) for pin in pins if pin.handler] + [(timer.callback, timer)]
failed = 0
for turns in (70000, 1000):  # more than any count holds before it goes round
    beam.distrust(turns == 1000)
    for turn in range(turns):
        micropython.heap_lock()
        try:
            for handler, owner in handlers:
                handler(owner)
        except MemoryError:
            failed += 1
        micropython.heap_unlock()
ask("told", json.dumps([failed, len(handlers), beam.read()[1] > 0]))
"""


@pytest.fixture(scope="module")
def bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("words") / "bundle"
    build.write(build.make(load("configs/m4_nut.toml"), BOARDS["rp2350"]), where)
    return where


def test_the_clock_is_right_where_its_counter_turns(bundle: Path) -> None:
    told: list[str] = []
    run(START + FAKES + CLOCK, bundle, told=told.append)
    wrong, passed = map(int, told[0].strip("[]").split(","))
    assert wrong == 0
    assert passed > 1 << 31


def test_no_interrupt_needs_memory(bundle: Path) -> None:
    told: list[str] = []
    run(START + FAKES + INTERRUPTS, bundle, told=told.append)
    assert told == ["[0, 6, true]"]
