"""A whole board for tests on both interpreters: the entry point on a fake chip, and a wheel.

The chip's pins end in the `Wheel` of these tests, a beam below it and plain parts, as in `rig`.
Time goes in slices of SLICE_US, so what happens is stamped that much late at most.  The host is a
generator that is resumed whenever the board idles; when it ends, the power goes.
"""

import gc
import os

from controller.board.ports import POCKET_INDEX_LEFT, RUNNING, STALLED
from controller.board.rp2.main import run
from controller.board.rp2.pins import Pins
from tests.portable.chip import Chip, Reset
from tests.portable.chipunits import Garbage, Machine, Select, Stream, Sys, Time
from tests.portable.dma import Rp2
from tests.portable.rig import DARK_US, FALL_US
from tests.portable.scratch import scratch
from tests.portable.wheel import Wheel, wheel_settings

SLICE_US = 250
SAFE = ("guard", "magazine", "receiver", "drive_ok", "beam")


class PowerOff(BaseException):
    """Somebody has pulled the plug."""


class WheelChip(Chip):
    """A chip wired to a wheel; the drive of `dma.Rp2`."""

    def __init__(self, wheel, before=None):
        super().__init__(wheel.now_us, before)
        self.wheel = wheel
        self._pins = Pins()
        self._seen = len(wheel.let_go)
        self._shades = 0
        self._lit = True
        for signal in SAFE:
            self.drive(self._pins.gpio(signal), 1)

    def output(self, signal):
        """Tell whether an output is on."""
        return self.pins[self._pins.gpio(signal)].level == self._pins.active(signal)

    def advance(self, until_us):
        wheel = self.wheel
        while self.now_us < until_us:
            super().advance(min(self.now_us + SLICE_US, until_us))
            wheel.advance(self.now_us)
            for edge in wheel.edges:
                code = edge[1] if isinstance(edge, tuple) else 1
                self._put("pocket_index", 0 if code == POCKET_INDEX_LEFT else 1)
                if not isinstance(edge, tuple):
                    self._put("pocket_index", 0)
            wheel.edges = []
            for at_us in wheel.let_go[self._seen :]:
                self.at(max(at_us + FALL_US, self.now_us), lambda: self._shade(1))
                self.at(max(at_us + FALL_US + DARK_US, self.now_us), lambda: self._shade(-1))
            self._seen = len(wheel.let_go)
            self._put("stall", 1 if wheel.status()[0] & STALLED else 0)

    def output_changed(self, gpio, level):
        if gpio == self._pins.gpio("beam_test"):
            self._lit = not level
            self._shade(0)

    def _shade(self, amount):
        self._shades += amount
        self._put("beam", 1 if self._lit and not self._shades else 0)

    def _put(self, signal, level):
        self.drive(self._pins.gpio(signal), level)

    # The drive, as `dma.Rp2` wants it.

    @property
    def direction(self):
        return 1 if self.output("direction") else -1

    def start(self, move):
        if not self.dead:
            assert self.output("enable"), "a move of a motor without current"
            self._steps, self._cruise = move.steps, move.cruise_steps
            self.wheel.start(move)

    def replace(self, move):
        if not self.dead and self.wheel.status()[0] & RUNNING:
            self._cruise -= self._steps - move.steps
            self._steps = move.steps
            self.wheel.amend(self._cruise)

    def halt(self):
        if not self.dead:
            self.wheel.halt()

    def issued(self):
        return self.wheel.status()[1]


class Tools:
    """As `controller.board.rp2.main.Tools`."""

    def __init__(self, chip, stream, memory):
        self.gc = memory
        self.micropython = self
        self.select = Select()
        self.sys = Sys(stream)
        self.time = Time(chip)
        self.keys = []

    def kbd_intr(self, key):
        self.keys.append(key)

    def trace(self, error):
        return "trace"


class WholeBoard:
    """Power it with `start`, take it away with `remove`."""

    def __init__(self, settings_json=None):
        """`settings_json`: of a module on the `Wheel`; those of `wheel_settings` if not said."""
        self.wheel = Wheel(0)
        self.chip = None
        self.folder = scratch()
        with open(self.folder + "settings.json", "w") as file:
            file.write(settings_json or wheel_settings().to_json())

    def plug(self, reset=False):
        """A new chip in place of the old one; return (machine, rp2, tools) for it."""
        if self.chip is not None:
            self.chip.dead = True
            self.wheel.halt()
        gc.collect()  # a wheel keeps long lists, and wants them in one piece
        self.chip = WheelChip(self.wheel, self.chip)
        self.stream = Stream(self.chip)
        machine = Machine(self.chip, Machine.WDT_RESET if reset else Machine.PWRON_RESET)
        return machine, Rp2(self.chip), Tools(self.chip, self.stream, Garbage())

    def start(self, host, reset=False):
        """Run until the host is done or the chip resets; say which of them."""
        machine, rp2, tools = self.plug(reset)
        talk = host(self)
        self.chip.before_idle = lambda: self._resume(talk)
        try:
            run(machine, rp2, tools, self.folder)
        except Reset:
            return "reset"
        except PowerOff:
            return "done"
        return "prompt"

    def _resume(self, talk):
        try:
            next(talk)
        except StopIteration:
            self.chip.dead = True
            raise PowerOff()  # noqa: B904  MicroPython knows no "from"

    def ask(self, line):
        """Send a line; return the one that answers it."""
        stream = self.stream
        stream.incoming += line.encode() + b"\n"
        while b"\n" not in stream.said:
            yield
        answer, _, stream.said = stream.said.partition(b"\n")
        return answer.decode()

    def until(self, what):
        """Let time pass until something is so."""
        end_us = self.chip.now_us + 60_000_000
        while not what():
            assert self.chip.now_us < end_us, "in vain"
            yield

    def wait(self, span_us):
        """Let time pass."""
        end_us = self.chip.now_us + span_us
        while self.chip.now_us < end_us:
            yield

    def remove(self):
        for name in os.listdir(self.folder[:-1]):
            os.remove(self.folder + name)
        os.rmdir(self.folder[:-1])
