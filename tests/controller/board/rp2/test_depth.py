"""How deep the firmware calls itself, against the stack that a board has for it.

MicroPython's rp2 port gives 8 KB of stack to Python and to interrupts (`PICO_STACK_SIZE`), keeps a
part for itself, and a hard interrupt that finds no room is not called again.  Bytes of a call were
measured in MicroPython 1.29, compiled for a Cortex-M0+ and run in an emulated chip; an interrupt is
an estimate: `tests/bench/README.md`, "stack".
"""

import sys
from pathlib import Path
from types import FrameType
from typing import Any

import transitions

import controller
from hostsim.config import load
from tests.controller.board.rp2.plantchip import Host, WholeBoard

STACK_BYTES = 8_192 - 256
BASE_BYTES, CALL_BYTES = 504, 280  # up to `main.py`, and each function in another, on average
INTERRUPT_BYTES = 1_000  # the guard's: three calls, and what leads to the first
LEVELS_MAX = (STACK_BYTES - BASE_BYTES - INTERRUPT_BYTES) // CALL_BYTES
OURS = tuple(str(Path(package.__file__ or "").parent) for package in (controller, transitions))
LINES = (
    "MAG:LOAD 200;:UNIT:COMM RES;*WAI;COMM STAR;*WAI;STAT?",
    "SYST:HELP:HEAD?",
    "REQ:OPEN 1,6;*OPC?;:REQ:RES?",
    "NO:SUCH;:SYST:ERR?;:UNIT:CAUS?",
    "UNIT:COMM STOP;*WAI;MODE MAIN;COMM RES;*WAI;COMM STAR;*WAI;STAT?",
    "MAIN:BEAM;*OPC?;BEAM?",
)


class Depth:
    """Counts functions of the firmware that are under way; those of the fake chip are not."""

    def __init__(self) -> None:
        self.now: list[str] = []
        self.deepest: list[str] = []

    def note(self, frame: FrameType, event: str, _: Any) -> None:
        if event in ("call", "return") and frame.f_code.co_filename.startswith(OURS):
            if event == "return":
                self.now.pop()
                return
            self.now.append(f"{Path(frame.f_code.co_filename).name}:{frame.f_code.co_name}")
            if len(self.now) > len(self.deepest):
                self.deepest = list(self.now)


def test_the_stack_of_a_board_has_room_for_the_deepest_call_and_an_interrupt(
    tmp_path: Path,
) -> None:
    def host(board: WholeBoard) -> Host:
        for line in LINES:
            yield from board.ask(line)

    depth = Depth()
    board = WholeBoard(load("configs/m4_nut.toml"), tmp_path, faults="harsh", seed=5)
    sys.setprofile(depth.note)
    try:
        assert board.start(host) == "done"
    finally:
        sys.setprofile(None)
    assert 15 < len(depth.deepest) <= LEVELS_MAX, depth.deepest
