"""A chip for the step engine to run on: DMA channels, one PIO block, pins, and a time of its own.

Theory of operation
-------------------
Time is counted in cycles of a 125 MHz clock and goes from event to event: a DMA transfer is done, a
state machine takes an instruction.  Every access from the processor takes time first (`call_us`),
so the hardware runs on between any two of them.  State machines carry out the very instructions of
their programs; the only liberty is that a jump that counts down to itself is waited out at once.

It follows the data sheet of the RP2040 (2.5 "DMA", 3 "PIO"), and is stricter than the chip.
`broken` lists what the data sheets forbid and a chip might forgive:

- two busy channels on one request line,
- an abort of a channel that is enabled or chained (erratum RP2350-E5),
- a write of a channel's registers while it is busy (all but its control register),
- a word to a full queue.
"""

from array import array
from bisect import bisect_right
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from tests.controller.board.rp2 import assembler
from tests.controller.board.rp2.channel import CHANNEL_BYTES, REGISTERS, Channel
from tests.controller.board.rp2.machine import Machine

CYCLES_US = 125
RAM, QUEUES = 0x2000_0000, 0x5020_0010


class Chip:
    """All of it. `rp2` is what the firmware is given for the module of that name."""

    def __init__(self, call_us: float = 1.0) -> None:
        self.now = 0
        self.call_cycles = round(call_us * CYCLES_US)
        self.broken: list[str] = []
        self.edges: list[tuple[int, int]] = []  # (cycle, level) of the STEP pin
        self.sent: list[int] = []  # words that have reached the queue
        self.fails_at: int | None = None  # words after which a read fails
        self.contended_cycles = 0  # more of them for every transfer
        self.channels: list[Channel] = []
        self.machines: dict[int, Machine] = {}
        self.step_level = 0
        self._memory: list[tuple[int, Any]] = []
        self.rp2 = SimpleNamespace(
            PIO=assembler.PIO,
            asm_pio=assembler.asm_pio,
            DMA=lambda: Channel(self),
            StateMachine=self._machine,
        )

    def _machine(self, number: int, program: Any = None, freq: int = 0, **pins: Any) -> "Machine":
        machine = self.machines.setdefault(number, Machine(self, number))
        if program is not None:
            machine.init(program, freq, **pins)
        return machine

    # ---- time ------------------------------------------------------------------------------------

    def call(self) -> None:
        """Let the time pass that an access from the processor takes."""
        self.run(self.now + self.call_cycles)

    def now_us(self) -> int:
        """As `Clock.now_us`."""
        self.call()
        return self.now // CYCLES_US

    def pass_us(self, us: float) -> None:
        self.run(self.now + round(us * CYCLES_US))

    def run(self, until: int) -> None:
        """Let the hardware do what it does up to a cycle."""
        while True:
            self._issue()
            parts = [*self.channels, *self.machines.values()]
            due = [part for part in parts if part.next_at is not None and part.next_at <= until]
            if not due:
                break
            part = min(due, key=lambda part: part.next_at)
            self.now = max(self.now, part.next_at)
            part.act()
        self.now = max(self.now, until)

    def _issue(self) -> None:
        for channel in self.channels:
            if channel.may_issue():
                channel.issue()

    # ---- the bus ---------------------------------------------------------------------------------

    def address(self, thing: Any) -> int:
        """Where something lies, as the buffer protocol tells a register."""
        if isinstance(thing, int):
            return thing
        if isinstance(thing, Machine):
            return QUEUES + 4 * thing.number
        for base, owner in self._memory:
            if owner is thing:
                return base
        base = RAM + 0x1_0000 * len(self._memory)
        self._memory.append((base, thing))
        return base

    def load(self, at: int) -> int:
        base, words = self._memory[bisect_right(self._memory, at, key=lambda row: row[0]) - 1]
        assert isinstance(words, array) and words.typecode == "I"
        place, odd = divmod(at - base, 4)
        assert not odd and place < len(words), f"a read beyond an array, {place} of {len(words)}"
        return words[place]

    def store(self, at: int, value: int) -> None:
        if at >= QUEUES:
            self.sent.append(value)
            self.machines[(at - QUEUES) // 4].push(value)
        else:
            number, place = divmod(at - REGISTERS, CHANNEL_BYTES)
            self.channels[number].write_alias(place // 4 - 4, value)

    def move_step(self, level: int) -> None:
        """The STEP pin goes to a level; who waits for it sees it."""
        if level != self.step_level:
            self.step_level = level
            self.edges.append((self.now, level))
            for machine in self.machines.values():
                machine.wake()

    def rises(self) -> list[int]:
        """Cycles of all pulses so far."""
        return [cycle for cycle, level in self.edges if level]


class Pin:
    """`machine.Pin` or `machine.Signal`: a level that the firmware reads or sets."""

    IRQ_RISING, IRQ_FALLING = 8, 4

    def __init__(self, chip: Chip, level: int = 0) -> None:
        self._chip = chip
        self._level = level
        self._handler: Callable[[Any], None] | None = None
        self._trigger = 0
        self.changes: list[tuple[int, int]] = []  # (cycle, level)

    def value(self, level: int | None = None) -> int:
        self._chip.call()
        if level is not None:
            self.move(level)
        return self._level

    def irq(self, *, handler: Callable[[Any], None], trigger: int, hard: bool) -> None:
        assert hard
        self._handler, self._trigger = handler, trigger

    def move(self, level: int) -> None:
        """Go to a level, whoever does it; an edge calls the handler."""
        if level == self._level:
            return
        self._level = level
        self.changes.append((self._chip.now, level))
        if self._handler and self._trigger & (self.IRQ_RISING if level else self.IRQ_FALLING):
            self._handler(self)
