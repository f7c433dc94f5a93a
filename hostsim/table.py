"""Small text tables and a progress line for the command line.

Theory of operation
-------------------
A table is a list of rows of ready-made strings.  A column is right-aligned when every cell below
its heading reads as a number, left-aligned otherwise, so a caller never states alignments.  The
progress line redraws itself in place on a terminal and stays silent anywhere else, so that a log
file or a pipe never fills up with it; what is worth keeping is said above it, on either.
"""

import shutil
import time
from collections.abc import Sequence
from typing import TextIO

GAP = "  "
REDRAW_S = 0.1  # faster than this nobody can read
BAR_CELLS = 24


def is_number(cell: str) -> bool:
    """True if `cell` reads as a number, with a sign, a per cent sign or a dash for "none"."""
    text = cell.removesuffix("%").strip()
    try:
        float(text)
    except ValueError:
        return text in {"", "-"}
    return True


def table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Lay out `rows` under `headings`; no trailing blanks, no newline at the end."""
    columns = list(zip(headings, *rows, strict=True))
    widths = [max(map(len, column)) for column in columns]
    numeric = [bool(rows) and all(map(is_number, column[1:])) for column in columns]

    def line(cells: Sequence[str]) -> str:
        placed = (
            cell.rjust(width) if right else cell.ljust(width)
            for cell, width, right in zip(cells, widths, numeric, strict=True)
        )
        return GAP.join(placed).rstrip()

    rule = GAP.join("-" * width for width in widths)
    return "\n".join([line(headings), rule, *map(line, rows)])


class ProgressLine:
    """One line on a terminal that follows a job; a context manager that wipes it at the end."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._shown = stream.isatty()
        self._drawn_s = float("-inf")

    def show(self, done: int, total: int, text: str) -> None:
        """Draw `done` of `total` as a bar, then `text`; skipped when the last draw is too fresh."""
        now_s = time.monotonic()
        if not self._shown or now_s - self._drawn_s < REDRAW_S:
            return
        self._drawn_s = now_s
        filled = BAR_CELLS * min(done, total) // max(total, 1)
        bar = "#" * filled + "." * (BAR_CELLS - filled)
        width = shutil.get_terminal_size().columns - 1
        line = f"[{bar}] {done}/{total} {text}"[:width]
        self._stream.write(f"\r\x1b[K{line}")
        self._stream.flush()

    def say(self, text: str) -> None:
        """Write a line that stays, in place of the bar, which is drawn below it from then on."""
        self._wipe()
        self._stream.write(text + "\n")
        self._stream.flush()
        self._drawn_s = float("-inf")

    def _wipe(self) -> None:
        if self._shown:
            self._stream.write("\r\x1b[K")
            self._stream.flush()

    def __enter__(self) -> "ProgressLine":
        return self

    def __exit__(self, *_: object) -> None:
        self._wipe()
