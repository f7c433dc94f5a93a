"""The state machines of the bench's chip: `rp2.StateMachine`, as far as the step engine uses it.

It carries out the instructions of its program one by one, with their delays and side-set, on a
divided clock.  Only a jump that counts Y down to itself is waited out at once.
"""

from collections import deque
from typing import Any

from tests.controller.board.rp2 import assembler
from tests.controller.board.rp2.channel import QUEUE_DEPTH

CLOCK_HZ = 125_000_000
MASK = 0xFFFF_FFFF


class Machine:
    """`rp2.StateMachine`."""

    def __init__(self, chip: Any, number: int) -> None:
        self.chip = chip
        self.number = number
        self._enabled = False
        self._program = assembler.Program([0], 0, 0, {})
        self._divider = 1
        self._side = False
        self.queue: deque[int] = deque()
        self._received: deque[int] = deque()
        self._x = self._y = 0
        self._reset()
        self.next_at: int | None = None

    def _reset(self) -> None:
        self._pc = self._program.wrap_target
        self._isr = self._osr = 0
        self._shifted = 32  # bits gone from the OSR
        self._left = 0  # cycles until the next instruction, while stopped

    # What the firmware sees.

    def init(self, program: Any, freq: int = 0, sideset_base: Any = None, **_: Any) -> None:
        self.chip.call()
        self._switch(False)
        self._program = program
        self._divider = CLOCK_HZ // freq if freq else 1
        self._side = sideset_base is not None
        self.queue.clear()
        self._received.clear()
        self._reset()
        self._side_set(0)

    def active(self, value: int | None = None) -> bool:
        self.chip.call()
        if value is not None:
            self._switch(bool(value))
        return self._enabled

    def restart(self) -> None:
        self.chip.call()
        self._reset()
        if self._enabled:
            self.next_at = self.chip.now + self._divider
        self._side_set(0)  # of the jump to the beginning

    def exec(self, word: int) -> None:
        self.chip.call()
        assert word & 0x1F00 == 0  # no delay, and the pin low
        assert self._do(word)
        self._side_set(0)

    def rx_fifo(self) -> int:
        self.chip.call()
        return len(self._received)

    def get(self) -> int:
        self.chip.call()
        return self._received.popleft()

    # What goes on inside.

    def _switch(self, on: bool) -> None:
        if on and not self._enabled:
            self.next_at = self.chip.now + self._left
        elif self._enabled and not on:
            waiting = self.next_at is None
            self._left = 0 if waiting else max(0, self.next_at - self.chip.now)
            self.next_at = None
        self._enabled = on

    def push(self, word: int) -> None:
        if len(self.queue) >= QUEUE_DEPTH:
            self.chip.broken.append("a word to a full queue")
            return
        self.queue.append(word)
        self.wake()

    def wake(self) -> None:
        """Something that an instruction may wait for has happened."""
        if self._enabled and self.next_at is None:
            self.next_at = self.chip.now + self._divider

    def _side_set(self, level: int) -> None:
        if self._side:
            self.chip.move_step(level)

    def act(self) -> None:
        word = self._program.words[self._pc]
        shared = word >> 8 & 31
        at = self._pc
        self._side_set(shared >> 4)
        if word & 0xE0E0 == 0x0080 and word & 31 == at and self._y:
            self.next_at = self.chip.now + self._y * self._divider
            self._y = 0
            return
        if not self._do(word):
            self.next_at = None
            return
        delay = shared & 15 if self._side else shared
        self.next_at = self.chip.now + (1 + delay) * self._divider
        if self._pc == at:
            self._pc = self._program.wrap_target if at == self._program.wrap_top else at + 1
        elif self._pc < 0:
            self._pc = -1 - self._pc  # a jump, perhaps to itself

    def _do(self, word: int) -> bool:
        """Carry out an instruction, but for side-set and delay; False if it has to wait."""
        kind, operands = word >> 13, word & 0xFF
        match kind, operands >> 5:
            case 0, 0:
                self._pc = -1 - (operands & 31)
            case 0, 2:
                if self._x:
                    self._pc = -1 - (operands & 31)
                self._x = self._x - 1 & MASK
            case 0, 4:
                if self._y:
                    self._pc = -1 - (operands & 31)
                self._y = self._y - 1 & MASK
            case 1, wanted:
                return self.chip.step_level == wanted >> 2
            case 3, register:
                return self._out({1: "_x", 6: "_isr"}[register], operands & 31)
            case 4, 0:
                self._received.append(self._isr)
                self._isr = 0
            case 5, register:
                value = {0x06: self._isr, 0x09: ~self._x & MASK, 0x0B: MASK}[operands & 31]
                setattr(self, {1: "_x", 2: "_y", 6: "_isr"}[register], value)
            case _:
                raise AssertionError(f"instruction {word:#06x}")
        return True

    def _out(self, register: str, bits: int) -> bool:
        if self._shifted >= 32:
            if not self.queue:
                return False
            self._osr, self._shifted = self.queue.popleft(), 0
        setattr(self, register, self._osr & (1 << bits) - 1)
        self._osr >>= bits
        self._shifted += bits
        if self._shifted >= 32 and self.queue:  # autopull, ahead of the next `out`
            self._osr, self._shifted = self.queue.popleft(), 0
        return True
