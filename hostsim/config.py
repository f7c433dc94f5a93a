"""Module descriptions: the TOML a workshop writes, checked and turned into firmware settings.

Theory of operation
-------------------
`hostsim.config_keys` pairs every TOML key with a firmware key.  A file goes through four steps,
and each adds to one list of problems, so that everything wrong with it is reported at once:
unknown sections and keys; types; conversion to integers; the firmware's own check.  What the
firmware refuses is said again with the TOML key, the value as written and the allowed range in
the unit of the file, rounded inward so that the range said is truly allowed.
"""

import copy
import difflib
import json
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from pathlib import Path
from typing import Any

from controller import keys as core
from controller.checks import Problem
from controller.settings import Settings
from hostsim.config_keys import (
    BY_CORE,
    MOVE_NAMED,
    MOVE_OF_CODE,
    MOVES,
    ROWS,
    SECTIONS,
    STEPS_PER_TURN,
    Row,
)
from hostsim.tomlfile import read_toml

KIND_SAID = {
    float: "a number",
    int: "a whole number",
    bool: "true or false",
    str: "text in quotes",
    list: "a list",
}
POINT_MAX = 1_000  # rev/s and N m on a curve: more than any motor for this work
OUT_OF_RANGE = 10**18  # stands for all that is larger, up to inf: no key allows anything near it
PLACEHOLDER_RUNG = [core.REST, 1, 1]  # stands for a refused rung, so that the others keep place


class ConfigError(ValueError):
    """A refused module description; `problems` says everything that is wrong, one line each."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


@dataclass(frozen=True)
class ModuleConfig:
    """A module: `values[section][key]` in the units of the file, `settings` for the firmware."""

    path: Path
    values: dict[str, dict[str, Any]]
    settings: Settings


def load(path: Path | str) -> ModuleConfig:
    """Read a module description. Raises ConfigError with all problems, OSError if unreadable."""
    path = Path(path)
    try:
        written = read_toml(path)
    except ValueError as error:
        raise ConfigError([str(error)]) from error
    return convert(written, path)


def convert(written: dict[str, Any], path: Path) -> ModuleConfig:
    """Check and convert a parsed description. Raises ConfigError with all problems at once."""
    reading = _Reading(written)
    if reading.problems:
        raise ConfigError(reading.problems)
    return ModuleConfig(path, reading.with_defaults(), Settings(reading.core))


class _Reading:
    """One pass over a file: `values` as written, `core` integers, `problems` as lines."""

    def __init__(self, written: dict[str, Any]) -> None:
        self.problems = list(_strangers(written))
        self.core: dict[str, Any] = {}
        self.values: dict[str, dict[str, Any]] = {section: {} for section in SECTIONS}
        self._refused: set[str] = set()  # firmware keys that have their line already
        self._steps_per_turn = _steps_per_turn(written)
        for row in ROWS:
            section = written.get(row.section)
            if isinstance(section, dict) and row.name in section:
                self._take(row, section[row.name])
            elif not row.core and row.default is None:
                self.problems.append(_missing(row, _span(row)))
        for problem in core.check(self.core):
            self._say_again(problem)
        self.problems.extend(_between_keys(self.values))

    def with_defaults(self) -> dict[str, dict[str, Any]]:
        """Return the values with every key left out filled in, in the unit of the file."""
        filled = Settings(self.core)
        values: dict[str, dict[str, Any]] = {section: {} for section in SECTIONS}
        for row in ROWS:
            written = self.values[row.section]
            value: Any
            if row.name in written:
                value = written[row.name]
            elif not row.core:
                value = copy.deepcopy(row.default)
            elif row.core == "recovery_ladder":
                value = [_rung_as_written(rung) for rung in filled.recovery_ladder]
            elif row.kind is list:
                value = [list(item) for item in filled.get(row.core)]
            elif row.kind is float:
                value = filled.get(row.core) / row.factor
            else:
                value = row.kind(filled.get(row.core))
            values[row.section][row.name] = value
        return values

    def _take(self, row: Row, value: Any) -> None:
        """Check the type of one written value and turn it into the firmware's integer."""
        if not (_is_number(value) if row.kind is float else type(value) is row.kind):
            self._refused.add(row.core)
            why = f"must be {KIND_SAID[row.kind]}"
            # A number where text belongs has no length yet to be told as too short or too long.
            unit, allowed = ("", "") if row.kind is str else (row.unit, self._allowed(row))
            self.problems.append(_line(row.key, value, unit, allowed, why))
            return
        self.values[row.section][row.name] = value
        if not row.core:
            self.problems.extend(_host_only(row, value))
        elif row.core == "recovery_ladder":
            self.core[row.core] = [
                self._rung(f"{row.key}[{at}]", rung) for at, rung in enumerate(value)
            ]
        elif row.kind is float:
            if self._factor(row):
                self.core[row.core] = _whole(value * self._factor(row))
            else:  # [motor] is refused, and without it turns cannot be made into steps
                self._refused.add(row.core)
        else:
            self.core[row.core] = int(value) if row.kind is bool else value

    def _rung(self, key: str, rung: Any) -> list[Any]:
        """Return [code, amount, times] of one rung; a placeholder if it had to be refused."""
        name = rung.get("move") if isinstance(rung, dict) else None
        if not isinstance(name, str) or name not in MOVE_NAMED:
            names = ", ".join(f'"{move.name}"' for move in MOVES)
            self.problems.append(_line(f"{key}.move", name, "", "", f"must be one of {names}"))
            return PLACEHOLDER_RUNG
        move = MOVE_NAMED[name]
        for stranger in sorted(set(rung) - {"move", move.amount, "times"}):
            why = f'unknown; a "{name}" takes move, {move.amount} and times'
            self.problems.append(_line(f"{key}.{_said(stranger)}", None, "", "", why))
        amount = rung.get(move.amount)
        if not _is_number(amount):
            low, high = core.RUNGS[move.code][2:]
            allowed = _between(low, high, move.factor)
            why = f'a "{name}" needs a number of {move.unit} here'
            self.problems.append(_line(f"{key}.{move.amount}", amount, move.unit, allowed, why))
            return PLACEHOLDER_RUNG
        return [move.code, _whole(amount * move.factor), rung.get("times", 1)]

    def _factor(self, row: Row) -> int:
        return self._steps_per_turn if row.factor == STEPS_PER_TURN else row.factor

    def _allowed(self, row: Row) -> str:
        """Return the range of a key in the unit of the file; "" where it has none to tell."""
        if not row.core:
            return _span(row)
        _, kind, _, low, high, _, _ = core.ROW_OF[row.core]
        if row.kind is bool or not self._factor(row) or kind in (core.CHOICE, core.PINS):
            return ""
        return _between(low, high, self._factor(row), kind == core.OPTIONAL)

    def _say_again(self, problem: Problem) -> None:
        """Turn a problem of the firmware's check into a line about the file."""
        matched = re.fullmatch(r"(\w+)(\[\d+\])?(?:\.(\w+))?", problem.key)
        assert matched
        base, index, field = matched.groups(default="")
        row = BY_CORE[base]
        if base in self._refused:
            return
        if problem.value is None:
            self.problems.append(_missing(row, self._allowed(row)))
            return
        key, value, unit, factor = row.key + index, problem.value, row.unit, self._factor(row)
        if base == "recovery_ladder" and field:
            rung = self.core[base][int(index.strip("[]"))]
            move = MOVE_OF_CODE[rung[0]]
            if field == "amount":
                field, unit, factor = move.amount, move.unit, move.factor
                value /= factor
            else:
                unit, factor = problem.unit, 1
        elif row.name in self.values[row.section] and not index and not field:
            value = self.values[row.section][row.name]
        elif row.kind is float:  # derived, not written
            value /= factor
        allowed = ""
        if row.kind is not bool and problem.low is not None and factor:
            allowed = _between(problem.low, problem.high, factor, problem.or_zero)
        if field:
            key += f".{field}"
        self.problems.append(_line(key, value, unit, allowed, problem.why))


def _host_only(row: Row, value: Any) -> Iterator[str]:
    """Yield what is wrong with the value of a key that the firmware doesn't know."""
    if row.kind is list:
        yield from _points(row, value)
    elif row.or_zero and value == 0:
        return
    elif row.kind is not str and not row.low <= value <= row.high:
        yield _line(row.key, value, row.unit, _span(row), "")
    elif row.choices and value not in row.choices:
        names = ", ".join(json.dumps(choice) for choice in row.choices)
        yield _line(row.key, value, row.unit, "", f"must be one of {names}")


def _between_keys(values: dict[str, dict[str, Any]]) -> Iterator[str]:
    """Yield what is wrong between keys that the firmware doesn't know and others."""
    row = next(row for row in ROWS if row.key == "beam.drop_tolerance_mm")
    drop_mm, off_mm = (values["beam"].get(name, 0.0) for name in ("drop_mm", row.name))
    if 0 < drop_mm <= off_mm <= row.high:
        why = "the release edge is above the beam, so it must be less than beam.drop_mm"
        yield _line(row.key, off_mm, row.unit, f"0 to {drop_mm * 0.99:.4g}", why)


def _points(row: Row, points: list[Any]) -> Iterator[str]:
    """A curve: none or at least two points, each [speed, torque], the speed rising from 0."""
    before = -1.0
    for at, point in enumerate(points):
        key = f"{row.key}[{at}]"
        if not (isinstance(point, list) and len(point) == 2 and all(map(_is_number, point))):
            yield _line(key, point, "", "", f"must be two numbers, {row.unit}")
            return
        if not 0 <= point[0] <= POINT_MAX or not 0 <= point[1] <= POINT_MAX:
            yield _line(key, point, row.unit, f"0 to {POINT_MAX}", "")
        elif point[0] <= before:
            yield _line(key, point, row.unit, "", f"speeds must rise, and {before:g} came before")
        before = point[0]
    if len(points) == 1:
        yield _line(row.key, points, row.unit, "", "one point is no curve: give two or more")


def _steps_per_turn(written: dict[str, Any]) -> int:
    """Return the microsteps of one motor turn, or 0 if [motor] doesn't say it soundly."""
    motor = written.get("motor")
    if not isinstance(motor, dict):
        return 0
    full, micro = motor.get("full_steps_per_rev"), motor.get("microsteps")
    if type(full) is not int or type(micro) is not int or full <= 0 or micro <= 0:
        return 0
    return full * micro


def _strangers(written: dict[str, Any]) -> Iterator[str]:
    """Yield a line for every section and key that doesn't exist, with the nearest that does."""
    for section, content in written.items():
        if section not in SECTIONS:
            yield _unknown(f"[{_said(section)}]", f"[{_nearest(section, list(SECTIONS))}]")
        elif not isinstance(content, dict):
            yield _line(section, content, "", "", f"must be a section, [{section}]")
        else:
            here = [row.name for row in ROWS if row.section == section]
            for name in content:
                if name not in here:
                    yield _unknown(f"{section}.{_said(name)}", _nearest_key(section, name))


def _said(key: str) -> str:
    """Return a key as a TOML file has it: in quotes, on one line, unless it is a bare one."""
    return key if re.fullmatch(r"[\w-]+", key, re.ASCII) else json.dumps(key)


def _nearest_key(section: str, name: str) -> str:
    """Return the dotted key a stranger was probably meant to be; its own section comes first."""
    close = difflib.get_close_matches(name, [r.name for r in ROWS if r.section == section], 1)
    if close:
        return f"{section}.{close[0]}"
    elsewhere = difflib.get_close_matches(name, [row.name for row in ROWS], 1)
    if elsewhere:
        return next(row.key for row in ROWS if row.name == elsewhere[0])
    return _nearest(f"{section}.{name}", [row.key for row in ROWS])


def _nearest(word: str, known: list[str]) -> str:
    return difflib.get_close_matches(word, known, n=1, cutoff=0.0)[0]


def _unknown(key: str, nearest: str) -> str:
    return f"{key}: unknown; the nearest known one is {nearest}"


def _missing(row: Row, allowed: str) -> str:
    """Say that a key must be there, what it means, and what it may be."""
    meaning = core.ROW_OF[row.core][6].removeprefix("1: ") if row.core else ""
    wanted = f"{allowed or KIND_SAID[row.kind] + ' of'} {row.unit}" if row.unit else "true or false"
    return f"{row.key}: missing{f' ({meaning})' if meaning else ''}: give {wanted}"


def _line(key: str, value: Any, unit: str, allowed: str, why: str) -> str:
    said = key if value is None else f"{key} = {json.dumps(value, default=str)} {unit}".rstrip()
    if not allowed:
        return f"{said}: {why}"
    span = f"allowed {allowed} {unit}".rstrip()
    return f"{said}: {span} ({why})" if why else f"{said}: {span}"


def _span(row: Row) -> str:
    zero = "0 or " if row.or_zero else ""
    return f"{zero}{row.low:.10g} to {row.high:.10g}"


def _between(low: int, high: int, factor: int, or_zero: bool = False) -> str:
    """Return "low to high" divided by `factor`, rounded inward to six significant digits."""
    least = Context(prec=6, rounding=ROUND_CEILING).divide(Decimal(low), Decimal(factor))
    most = Context(prec=6, rounding=ROUND_FLOOR).divide(Decimal(high), Decimal(factor))
    zero = "0 or " if or_zero else ""
    return f"{zero}{least.normalize():f} to {most.normalize():f}"


def _is_number(value: Any) -> bool:
    """Whole numbers are numbers; truth values and nan are not."""
    return type(value) is int or (type(value) is float and not math.isnan(value))


def _whole(value: float) -> int:
    """Round, but never make nothing of something: 0 has a meaning of its own."""
    value = max(-OUT_OF_RANGE, min(OUT_OF_RANGE, value))
    return round(value) or (value > 0) - (value < 0)


def _rung_as_written(rung: tuple[int, int, int]) -> dict[str, Any]:
    code, amount, times = rung
    move = MOVE_OF_CODE[code]
    return {"move": move.name, move.amount: amount / move.factor, "times": times}
