"""Module descriptions spoilt at random: as text, the way files get spoilt, and value by value.

The same seed spoils in the same way.
"""

import copy
import math
import tomllib
from pathlib import Path
from random import Random
from typing import Any

from controller import keys as core
from hostsim.config_keys import ROWS, Row

FILES = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))

# What may stand behind an equals sign, right or wrong.
ANYTHING = (
    *("nan", "-inf", "inf", "1e400", "1e-400", "0", "0.0", "-0.0", "-1", "0x10", "1_000"),
    *("9" * 30, "1e18", "1e-9", "2.5", "-7.5", "true", '""', '"x"', '"\\u0000"', '"\\n"', '"ü"'),
    *("'''a\nb'''", "[]", "[[]]", "[1]", "[[17, 51]]", "[nan]", '[["beam", -1]]', '["a"]'),
    *("[[nan, nan]]", "[" * 9 + "]" * 9, "{}", "{a = 1}", "1979-05-27", "07:32:00", ""),
)
TAILS = (
    *("\n[extra]\nx = 1\n", "\nx = 1\n", "\n[motor]\n", "\n[[motor]]\n", "\0", "\n[motor.x]\n"),
    "\n[[recovery.ladder]]\n",
    '\n[[recovery.ladder]]\nmove = "rest"\nseconds = nan\n',
    '\n[[recovery.ladder]]\nmove = "forward"\npockets = inf\ntimes = "a"\n',
    "\na = " + "[" * 2000,
)


def spoilt_text(chance: Random) -> bytes:
    """A shipped description after one to four accidents."""
    text = chance.choice(FILES).read_bytes()
    for _ in range(chance.choice((1, 1, 2, 4))):
        text = chance.choice(ACCIDENTS)(chance, text)
    return text


def _other_value(chance: Random, text: bytes) -> bytes:
    return _in_line(
        chance, text, lambda key, _: b"%s= %s" % (key, chance.choice(ANYTHING).encode())
    )


def _other_number(chance: Random, text: bytes) -> bytes:
    def change(key: bytes, value: bytes) -> bytes:
        try:
            number = float(value.split(b"#")[0])
        except ValueError:
            return b"%s=%s" % (key, value)
        scaled = number * 10 ** chance.randint(-6, 6)
        other = chance.choice((scaled, -number, number + 1, -0.0))
        return b"%s= %s" % (key, repr(other).encode())

    return _in_line(chance, text, change)


def _misspelt(chance: Random, text: bytes) -> bytes:
    def change(key: bytes, value: bytes) -> bytes:
        at = chance.randrange(max(1, len(key.rstrip())))
        return b"%s%s%s=%s" % (key[:at], chance.choice((b"", b"x", b".")), key[at + 1 :], value)

    return _in_line(chance, text, change)


def _in_line(chance: Random, text: bytes, change: Any) -> bytes:
    """Change one line that has a key."""
    lines = text.split(b"\n")
    keyed = [at for at, line in enumerate(lines) if b"=" in line]
    if keyed:
        at = chance.choice(keyed)
        lines[at] = change(*lines[at].split(b"=", 1))
    return b"\n".join(lines)


def _lost_line(chance: Random, text: bytes) -> bytes:
    lines = text.split(b"\n")
    del lines[chance.randrange(len(lines))]
    return b"\n".join(lines)


def _line_twice(chance: Random, text: bytes) -> bytes:
    lines = text.split(b"\n")
    lines.insert(chance.randrange(len(lines)), chance.choice(lines))
    return b"\n".join(lines)


def _rotten(chance: Random, text: bytes) -> bytes:
    spoilt = bytearray(text)
    for _ in range(chance.randint(1, 5) if spoilt else 0):
        spoilt[chance.randrange(len(spoilt))] = chance.randrange(256)
    return bytes(spoilt)


def _saved_elsewhere(chance: Random, text: bytes) -> bytes:
    ways = (
        lambda: b"\xef\xbb\xbf" + text,
        lambda: text.replace(b"\n", b"\r\n"),
        lambda: text.replace(b"\n", b"\r"),
        lambda: text.decode(errors="replace").encode("utf-16"),
    )
    return chance.choice(ways)()


ACCIDENTS = (
    *(_other_value, _other_value, _other_number, _other_number, _misspelt, _lost_line),
    *(_line_twice, _rotten, _saved_elsewhere),
    lambda chance, text: text[: chance.randrange(len(text) + 1)],
    lambda chance, text: text + chance.choice(TAILS).encode(),
)


def other_values(chance: Random) -> dict[str, Any]:
    """A shipped description with one to eight values put anywhere within their ranges."""
    written = tomllib.loads(chance.choice(FILES).read_text())
    for row in chance.sample(ROWS, chance.choice((1, 1, 2, 3, 5, 8))):
        if row.kind not in (str, list):
            written[row.section][row.name] = _drawn(chance, row, copy.deepcopy(written))
        elif row.choices:
            written[row.section][row.name] = chance.choice(row.choices)
    return written


def _drawn(chance: Random, row: Row, written: dict[str, Any]) -> Any:
    """Either end of the range, near what is written, or anything between, by its order."""
    if row.kind is bool:
        return chance.random() < 0.5
    if row.choices:
        return chance.choice(row.choices)
    low, high, factor = row.low, row.high, 1
    if row.core:
        _, _, _, low, high, _, _ = core.ROW_OF[row.core]
        motor = written["motor"]
        factor = row.factor or motor["full_steps_per_rev"] * motor["microsteps"]
    least, most = low / factor, high / factor
    there = written[row.section].get(row.name) or most
    middle = math.exp(chance.uniform(math.log(max(least, most * 1e-6)), math.log(most)))
    near = there * math.exp(chance.gauss(0, 0.7))
    value = min(max(chance.choice((least, most, near, near, middle, middle)), least), most)
    return round(value) if row.kind is int else value
