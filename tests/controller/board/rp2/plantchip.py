"""A whole board: the entry point on a fake chip whose pins end in a simulated module.

Theory of operation
-------------------
The chip's time is the plant's.  What the plant puts down as edges and changes goes to the pins at
that very microsecond, and with it into the interrupts, wherever the firmware is just then; what the
firmware does to its pins goes to the plant.  The host is a generator: it is resumed whenever the
board idles, gives lines to the line, and ends the run by ending itself.
"""

import os
import traceback
from collections.abc import Callable, Generator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from controller.board import ports
from controller.board.rp2.main import run
from controller.board.rp2.pins import Pins
from hostsim.config import ModuleConfig
from hostsim.plant.eventlog import EventLog
from hostsim.plant.plant import Plant
from tests.portable import chip as chips
from tests.portable.chip import Chip, Reset
from tests.portable.chipunits import Garbage, Machine, Select, Stream, Sys, Time
from tests.portable.dma import Rp2, Words

Host = Generator[None, None, None]

LEVELS = {
    "guard": ports.GUARD_CLOSED,
    "magazine": ports.MAGAZINE_OK,
    "receiver": ports.RECEIVER_READY,
    "drive_ok": ports.DRIVE_HEALTHY,
    "give": ports.GIVE,
}


class PowerOff(BaseException):
    """Somebody has pulled the plug."""


class Told(list[Any]):
    """A list that tells what is appended, at once."""

    def __init__(self, tell: Callable[[Any], None]) -> None:
        super().__init__()
        self._tell = tell

    def append(self, item: Any) -> None:
        self._tell(item)


class PlantChip(Chip):
    """A chip, and the module it is wired to."""

    def __init__(self, plant: Plant, before: Chip | None = None) -> None:
        super().__init__(plant.now_us, before)
        self.plant = plant
        self._pins = Pins()
        self._signal_on = {
            self._pins.gpio(name): name for name in ("enable", "direction", "beam_test")
        }
        plant.edges = Told(self._beam)
        plant.changes = Told(self._change)
        for name in ("beam", "pocket_index", "stall", *LEVELS):
            self.pins[self._pins.gpio(name)] = chips.PinState(self._pins.gpio(name))
        self._put("beam", 1 - plant.blocked)
        self._levels()

    def advance(self, until_us: int) -> None:
        plant = self.plant
        while plant.now_us < until_us:
            due = [timer.due_us for timer in self.timers] + [self.bites_us, until_us]
            next_us = min(at_us for at_us in due if at_us is not None)
            super().advance(plant.advance(max(next_us, plant.now_us)))
            stalled = plant.drive_status()[0] & ports.STALLED
            self._put("stall", 1 if stalled else 0)
        super().advance(until_us)

    def output_changed(self, gpio: int, level: int) -> None:
        """The firmware has put an output to another level."""
        signal = self._signal_on.get(gpio)
        if signal == "enable":
            self.plant.drive_enable(level == self._pins.active("enable"))
        elif signal == "beam_test":
            self.plant.beam_test(bool(level))

    def output(self, signal: str) -> bool:
        """Whether an output is on."""
        return self.pins[self._pins.gpio(signal)].level == self._pins.active(signal)

    # The drive, as `dma.Rp2` wants it.

    @property
    def direction(self) -> int:
        return 1 if self.output("direction") else -1

    def start(self, move: Words) -> None:
        if not self.dead:
            self._steps, self._cruise = move.steps, move.cruise_steps
            self.plant.drive_start(move)

    def replace(self, move: Words) -> None:
        if not self.dead and self.plant.drive_status()[0] & ports.RUNNING:
            self._cruise -= self._steps - move.steps
            self._steps = move.steps
            self.plant.drive_amend(self._cruise)

    def halt(self) -> None:
        if not self.dead:
            self.plant.drive_halt()

    def issued(self) -> int:
        return self.plant.drive_status()[1]

    # What the plant puts on the pins.

    def _put(self, signal: str, level: int) -> None:
        self.drive(self._pins.gpio(signal), level)

    def _beam(self, edge: tuple[int, int]) -> None:
        self.now_us = edge[0]
        self._put("beam", 1 - edge[1])

    def _change(self, change: tuple[int, int]) -> None:
        self.now_us = change[0]
        if change[1] == ports.LEVELS_CHANGED:
            self._levels()
        else:
            self._put("pocket_index", 1 if change[1] == ports.POCKET_INDEX else 0)

    def _levels(self) -> None:
        for name, bit in LEVELS.items():
            self._put(name, 1 if self.plant.levels & bit else 0)


class WholeBoard:
    """A module, a board that runs it, and a host on its line. `start` is a power-up."""

    def __init__(
        self, config: ModuleConfig, folder: Path, faults: str = "none", seed: int = 1
    ) -> None:
        self.plant = Plant(config, seed, faults, EventLog())
        self.folder = f"{folder}{os.sep}"
        self.chip = PlantChip(self.plant)
        self.stream = Stream(self.chip)
        self.memory = Garbage()
        self.fram_answers = True
        self.interrupt_keys: list[int] = []  # as told to the interpreter since the last start
        self._failure: Exception | None = None
        self._chip_name = config.settings.board_name.upper()
        (folder / "settings.json").write_text(config.settings.to_json())

    def start(self, host: Callable[["WholeBoard"], Host], reset: bool = False) -> str:
        """Run until the host is done, the chip resets, or the prompt; say which of them."""
        cause = Machine.WDT_RESET if reset else Machine.PWRON_RESET
        old = self.chip
        old.dead = True
        self.plant.power_cut()
        if not reset:
            old.memory = {}
        self.chip = chip = PlantChip(self.plant, old)
        chip.fram_answers = self.fram_answers
        self.stream = Stream(chip)
        self.interrupt_keys = []
        talk = host(self)
        chip.before_idle = lambda: self._resume(talk)
        tools = SimpleNamespace(
            gc=self.memory,
            micropython=SimpleNamespace(kbd_intr=self.interrupt_keys.append),
            select=Select(),
            sys=Sys(self.stream, self._chip_name),
            time=Time(chip),
            trace=lambda error: "".join(traceback.format_exception(error)),
        )
        try:
            run(Machine(chip, cause), Rp2(chip), tools, self.folder)
        except Reset:
            return "reset"
        except PowerOff:
            if self._failure is not None:
                raise self._failure from None
            return "done"
        return "prompt"

    def _resume(self, talk: Host) -> None:
        try:
            next(talk)
        except StopIteration:
            self._failure = None
        except Exception as error:  # the host's own, such as an assertion: not for the board
            self._failure = error
        else:
            return
        self.chip.dead = True
        raise PowerOff

    # For hosts.

    def ask(self, line: str) -> Generator[None, None, str]:
        """Send a line; return the one that answers it."""
        self.stream.incoming += line.encode() + b"\n"
        while b"\n" not in self.stream.said:
            yield
        answer, _, self.stream.said = self.stream.said.partition(b"\n")
        return answer.decode()

    def pull_the_plug(self) -> None:
        """The power goes, in the middle of whatever the board is doing; for `chip.at`."""
        self.chip.dead = True
        raise PowerOff

    def fail(self, error: Exception) -> Host:
        """Have the firmware raise something in whatever it does next."""

        def act() -> None:
            raise error

        self.chip.at(self.chip.now_us + 1, act)
        yield from self.wait(60)

    def until(self, what: Callable[[], bool], limit_s: float = 60) -> Host:
        """Wait until something is so."""
        end_us = self.plant.now_us + round(limit_s * 1e6)
        while not what():
            assert self.plant.now_us < end_us, "in vain"
            yield

    def wait(self, seconds: float) -> Host:
        """Let time pass."""
        end_us = self.plant.now_us + round(seconds * 1e6)
        yield from self.until(lambda: self.plant.now_us >= end_us, seconds + 1)
