"""The register map for people and for programs, from the table the firmware serves it from.

    python -m hostsim.registerdoc

writes controller/link/REGISTERS.md; run it after a change to `controller/link/registers.py`, a
test fails while the two differ.  `tallywheel registers` prints the same map from here.
"""

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import controller.link
from controller.cycle import remedies, requestchart, unit
from controller.link.registers import (
    BLOCKS,
    COILS,
    INPUTS,
    KIND_NAMES,
    MAP_VERSION,
    WORDS,
    addresses,
    words_of,
)
from controller.settings import Settings
from hostsim.table import table
from hostsim.words import Outcome

PATH = Path(controller.link.__file__).with_name("REGISTERS.md")

OPENING = f"""\
# Modbus registers

Made from the register table by `python -m hostsim.registerdoc`; do not edit. How the bus behaves
is told in [README.md](README.md#the-bus), a request from beginning to end
[there as well](README.md#a-request-from-a-plc). `tallywheel registers --json` prints the map for
programs.

Version {MAP_VERSION} of the map. Addresses are those in the frame, from 0: register 202 is 203
where a tool counts from 1, and 400203 or 300203 as a reference number. What numbers of states,
outcomes and causes mean is told at the end.

- **Registers** are read by functions 3 and 4 alike, across blocks where no address is left out, at
  most 125 at a time. All that one read returns is as of one instant.
- **A write is one whole block**, by function 6 (blocks of one register), 16 or 23. Half a block, or
  parts of two, is exception 2, and nothing changes. What can only be written reads as 0.
- **Types:** u16 and i16 take one register, u32 and i32 two, the high word first; i16 and i32 are
  two's complement. A count too large for its type reads as the largest.
- **Scaling:** the value divided by the divisor is in the unit. Divisor 1 is left out.
- **Access:** r can be read, w can be written. Bounds with a name are settings of the module.
"""

COILS_OPENING = """\
## Coils (functions 1, 5, 15)

Writing 1 starts something once; writing 0 does nothing; coils always read 0. Function 15 may set
one of them at most.
"""

INPUTS_OPENING = """\
## Discrete inputs (function 2)

The first five are also the bits of `signals.inputs`, the next five bits 8 to 12 of
`signals.operation`, then bits 8 to 12 of `signals.questionable`; `drift` is its bit 6.
"""

STATES = (
    "no request since power-up",
    "the beam tests itself",
    "the pocket position is being found",
    "a run is under way",
    "at rest, the last parts may still be falling",
    "what was seen is being judged",
    "moves against a jam, or against parts that hang",
    "for a person or for supply; why is in the unit's cause",
    "it has its outcome",
)
OUTCOMES = {
    Outcome.EXACT: "the quantity is out, neither more nor less",
    Outcome.SHORT: "fewer are out, and it is known how many: lower and upper are the same",
    Outcome.DOUBTFUL: "the evidence disagrees: count what is out by hand",
    Outcome.INTERRUPTED: "guard or power has cut in: between lower and upper are out",
}

HEADINGS = ("address", "name", "type", "unit", "divisor", "access", "allowed", "what it is")
BIT_HEADINGS = ("address", "name", "what it is")


class Register(NamedTuple):
    """One value in registers; `low` and `high` are None where it can't be written."""

    address: int
    words: int
    name: str
    kind: str
    unit: str
    divisor: int
    access: str
    low: int | str | None
    high: int | str | None
    doc: str

    def cells(self) -> tuple[str, ...]:
        """The register as a row of text under HEADINGS."""
        divisor = "" if self.divisor == 1 else f"{self.divisor:,}"
        allowed = "" if self.low is None else f"{self.low}..{self.high}"
        return (
            str(self.address),
            self.name,
            self.kind,
            self.unit,
            divisor,
            self.access,
            allowed,
            self.doc,
        )


def registers(block: Sequence[Any], settings: Settings | None = None) -> Iterator[Register]:
    """Every register of a block; with settings, bounds that are settings are numbers."""
    name, _, read, write, rows = block[1:]
    access = ("r" if read else "") + ("w" if write else "")
    for address, row in zip(addresses(block), rows, strict=True):
        kind, unit_name, divisor, doc = row[1:5]
        low, high = (row[5:] if len(row) > 5 else (None, None)) if write else (None, None)
        if settings is not None and isinstance(high, str):
            high = settings.get(high)
        yield Register(
            address,
            WORDS[kind],
            f"{name}.{row[0]}",
            KIND_NAMES[kind],
            unit_name,
            divisor,
            access,
            low,
            high,
            doc,
        )


def bits(rows: Sequence[Sequence[Any]]) -> list[tuple[int, str, str]]:
    """(address, name, what it is) of coils or discrete inputs."""
    return [(address, row[0], row[-1]) for address, row in enumerate(rows)]


def as_json(settings: Settings | None = None) -> dict[str, Any]:
    """The whole map as plain values; with settings, also where the module is on its line."""
    told: dict[str, Any] = {"map_version": MAP_VERSION}
    if settings is not None:
        told["module"] = {
            "name": settings.name,
            "address": settings.bus_address,
            "baud": settings.bus_baud,
        }
    told["blocks"] = [
        {"address": block[0], "words": words_of(block), "name": block[1], "doc": block[2]}
        for block in BLOCKS
    ]
    told["registers"] = [
        register._asdict() for block in BLOCKS for register in registers(block, settings)
    ]
    for key, rows in (("coils", COILS), ("discrete_inputs", INPUTS)):
        told[key] = [dict(zip(("address", "name", "doc"), bit, strict=True)) for bit in bits(rows)]
    return told


def as_text(settings: Settings | None = None) -> str:
    """The whole map as tables for the terminal."""
    cells = [register.cells() for block in BLOCKS for register in registers(block, settings)]
    parts = [f"registers (functions 3, 4, 6, 16, 23)\n\n{table(HEADINGS, cells)}"]
    for title, rows in (
        ("coils (functions 1, 5, 15)", COILS),
        ("discrete inputs (function 2)", INPUTS),
    ):
        cells_of_bits = [(str(address), name, doc) for address, name, doc in bits(rows)]
        parts.append(f"{title}\n\n{table(BIT_HEADINGS, cells_of_bits)}")
    return "\n\n".join(parts)


def document() -> str:
    """The whole of REGISTERS.md."""
    parts = [OPENING]
    for block in BLOCKS:
        end = block[0] + words_of(block) - 1
        span = f"{block[0]}" if end == block[0] else f"{block[0]} to {end}"
        rows = [register.cells() for register in registers(block)]
        parts.append(f"## {block[1]} ({span}): {block[2]}\n\n{markdown(HEADINGS, rows)}\n")
    for opening, source in ((COILS_OPENING, COILS), (INPUTS_OPENING, INPUTS)):
        rows = [(str(address), name, doc) for address, name, doc in bits(source)]
        parts.append(f"{opening}\n{markdown(BIT_HEADINGS, rows)}\n")
    parts.append("## Numbers\n")
    for title, pairs in numbers():
        rows = [(str(number), name) for number, name in pairs]
        parts.append(f"{title}:\n\n{markdown(('number', 'meaning'), rows)}\n")
    return "\n".join(parts)


def numbers() -> Iterator[tuple[str, Iterable[tuple[int, str]]]]:
    """(title, numbers and their meanings) of all that registers hold as numbers."""
    yield "Unit states (PackML StateCurrent)", enumerate(unit.STATES)
    yield "Unit modes (PackML UnitModeCurrent)", enumerate(unit.MODES)
    yield "Unit commands (PackML CntrlCmd)", list(enumerate(unit.COMMANDS))[1:]
    yield (
        "States of a request",
        [
            (number, f"{name}: {what}")
            for number, (name, what) in enumerate(zip(requestchart.STATES, STATES, strict=True))
        ],
    )
    yield "Outcomes of a request", [(each.value, f"{each}: {OUTCOMES[each]}") for each in Outcome]
    yield "Causes", sorted((row[0], row[3]) for row in remedies.CAUSES)


def markdown(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table in Markdown."""
    lines = [headings, ["---"] * len(headings), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def main() -> None:
    PATH.write_text(document(), encoding="utf-8")


if __name__ == "__main__":
    main()
