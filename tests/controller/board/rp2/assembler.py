"""A stand-in for `rp2.asm_pio`: turns the calls of a program into instructions of the data sheet.

It follows the documentation of MicroPython's decorator (a function whose calls are instructions,
`.side(n)` and `[delay]` behind them) and the instruction table of the data sheet of the RP2040
(3.4, "Instruction Set"); it knows only what the step engine uses.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

JMP, WAIT, OUT, MOV = 0b000, 0b001, 0b011, 0b101
CONDITIONS = {"not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "x_not_y": 5, "not_osre": 7}
REGISTERS = {"x": 1, "y": 2, "null": 3, "isr": 6, "osr": 7}
PIN_SOURCE = 1  # of `wait`


class PIO:
    """The constants of `rp2.PIO` that programs name, each worth its name."""

    OUT_LOW = "OUT_LOW"
    SHIFT_RIGHT = "SHIFT_RIGHT"
    JOIN_TX = "JOIN_TX"


@dataclass
class Program:
    """What the decorator makes of a function."""

    words: list[int]
    wrap_target: int
    wrap_top: int
    settings: dict[str, Any]  # the decorator's own arguments


@dataclass
class Instruction:
    """One call in a program, and what stands behind it."""

    operation: int
    operands: int
    target: str | None = None  # label of a jump
    side_value: int | None = None
    delay: int = 0

    def side(self, value: int) -> "Instruction":
        self.side_value = value
        return self

    def __getitem__(self, delay: int) -> "Instruction":
        self.delay = delay
        return self


@dataclass
class Listing:
    """The calls of a program in their order."""

    settings: dict[str, Any]
    instructions: list[Instruction] = field(default_factory=list)
    labels: dict[str, int] = field(default_factory=dict)
    first: int = 0
    last: int | None = None

    def names(self) -> dict[str, Any]:
        """What a program may call and name, as globals of its function."""
        return {
            **REGISTERS,
            **CONDITIONS,
            "pin": PIN_SOURCE,
            "label": self._label,
            "wrap_target": self._wrap_target,
            "wrap": self._wrap,
            "jmp": self._jmp,
            "wait": lambda level, source, index: self._add(WAIT, level << 7 | source << 5 | index),
            "out": lambda to, count: self._add(OUT, to << 5 | count & 31),
            "mov": lambda to, source: self._add(MOV, to << 5 | source),
        }

    def program(self) -> Program:
        last = len(self.instructions) - 1 if self.last is None else self.last
        return Program([self._word(i) for i in self.instructions], self.first, last, self.settings)

    def _word(self, instruction: Instruction) -> int:
        """Five bits are shared: side-set from the top, delay in what is left."""
        sides = 1 if "sideset_init" in self.settings else 0
        assert (instruction.side_value is not None) == bool(sides), "side-set is not optional here"
        assert instruction.delay < 1 << (5 - sides)
        shared = (instruction.side_value or 0) << (5 - sides) | instruction.delay
        target = 0 if instruction.target is None else self.labels[instruction.target]
        return instruction.operation << 13 | shared << 8 | instruction.operands | target

    def _add(self, operation: int, operands: int, target: str | None = None) -> Instruction:
        self.instructions.append(Instruction(operation, operands, target))
        return self.instructions[-1]

    def _jmp(self, *wanted: Any) -> Instruction:
        condition = wanted[0] if len(wanted) > 1 else 0
        return self._add(JMP, condition << 5, wanted[-1])

    def _label(self, name: str) -> None:
        assert name not in self.labels
        self.labels[name] = len(self.instructions)

    def _wrap_target(self) -> None:
        self.first = len(self.instructions)

    def _wrap(self) -> None:
        self.last = len(self.instructions) - 1


def asm_pio(**settings: Any) -> Callable[[Callable[[], None]], Program]:
    """As `rp2.asm_pio`: lend the names to the function's globals while it runs."""

    def decorate(function: Callable[[], None]) -> Program:
        listing = Listing(settings)
        own = dict(function.__globals__)
        function.__globals__.clear()
        function.__globals__.update(listing.names())
        try:
            function()
        finally:
            function.__globals__.clear()
            function.__globals__.update(own)
        return listing.program()

    return decorate
