"""Traces: what a module's sensors saw of some requests, as a CSV file.

The first line names the columns `time_us,what,a,b`; then comes one row for each thing that
happened, oldest first:

    what     a                    b
    open     ticket               quantity, parts     a request was opened
    dark     1 dark, 0 lit                            the self-test switched the beam's emitter
    test     1 passed, 0 failed                       the self-test ended
    release  pocket               uncertainty, us     a pocket passed its release edge between
                                                      time_us and time_us + b
    creep    pocket               uncertainty, us     the same, at the creep rate
    edge     1 blocked, 0 clear                       the beam changed
    close    lower bound, parts   upper bound, parts  the request was closed: parts surely and
                                                      possibly out, as the module reported them

`time_us` is in microseconds of the module's clock.  Empty fields are 0.
"""

import csv
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from hostsim.named import replacing

COLUMNS = ["time_us", "what", "a", "b"]
KINDS = ("open", "dark", "test", "release", "creep", "edge", "close")
OPEN, DARK, TEST, RELEASE, CREEP, EDGE, CLOSE = KINDS


class TraceError(Exception):
    """A file that is no trace. The text names the line and what is wrong with it."""


class Row(NamedTuple):
    """One row of a trace."""

    time_us: int
    what: str
    a: int
    b: int


def write_trace(path: Path, rows: Iterable[Row]) -> None:
    """Write `rows`, oldest first, whole or not at all."""
    with replacing(path) as new, new.open("w", newline="", encoding="ascii") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(rows)


def read_trace(path: Path) -> Iterator[Row]:
    """Yield the rows of a trace file. Raises TraceError at the first bad line, OSError."""
    with path.open(newline="", encoding="utf-8", errors="replace") as file:
        lines = csv.reader(file)
        if _fields(lines) != COLUMNS:
            raise TraceError(f"line 1: must be {','.join(COLUMNS)}")
        latest_us = 0
        while (fields := _fields(lines)) is not None:
            row = _row(lines.line_num, fields)
            if row.time_us < latest_us:
                raise TraceError(f"line {lines.line_num}: goes back in time; sort by time_us")
            latest_us = row.time_us
            yield row


def is_trace(path: Path) -> bool:
    """Whether a file begins like a trace; OSError if it can't be read."""
    with path.open("rb") as file:
        return file.readline(100).rstrip() == ",".join(COLUMNS).encode()


def _fields(lines: Any) -> list[str] | None:
    """The next row of a CSV reader, None behind the last."""
    try:
        fields: list[str] | None = next(lines, None)
    except csv.Error as error:
        raise TraceError(f"line {lines.line_num}: {error}") from None
    return fields


def _row(line: int, fields: list[str]) -> Row:
    if len(fields) != len(COLUMNS):
        raise TraceError(f"line {line}: has {len(fields)} fields, must have {len(COLUMNS)}")
    time_us, what, a, b = fields
    if what not in KINDS:
        raise TraceError(f"line {line}: {what!r} is none of {', '.join(KINDS)}")
    try:
        return Row(int(time_us), what, int(a or 0), int(b or 0))
    except ValueError:
        raise TraceError(f"line {line}: time_us, a and b must be whole numbers") from None
