"""The portable tests under a MicroPython whose integers are those of a board.

    python -m tests.portable32 [NAME ...]

The MicroPython of the tests has words of 64 bits, and small integers of 63.  On a 32-bit board they
have 31: what is beyond takes memory, and behaves as Python says only if nothing relies on the
difference.  This one is compiled to WebAssembly, which has words of 32 bits.  It comes as an npm
package and runs in Node.js 16 or newer (`node` and `npm` on the path); the package is fetched once,
into the temporary folder.  Takes about a minute of processor time; the cores share it.

CI runs this; pytest does not, because not everybody has Node.js.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import transitions

PACKAGE = "@micropython/micropython-webassembly-pyscript"
VERSION = "1.27.0"
PROJECT = Path(__file__).parents[1]
PORTABLE = PROJECT / "tests" / "portable"
CORES = os.cpu_count() or 1
SKIPPED = shutil.ignore_patterns("__pycache__", "extensions")


def interpreter() -> Path:
    """The interpreter's module, fetched if it is not there yet. SystemExit says what is missing."""
    for tool in ("node", "npm"):
        if shutil.which(tool) is None:
            raise SystemExit(f"there is no {tool}: install Node.js 16 or newer")
    folder = Path(tempfile.gettempdir()) / f"tallywheel-micropython-{VERSION}"
    module = folder / "node_modules" / PACKAGE / "micropython.mjs"
    if not module.exists():
        options = ("--silent", "--no-audit", "--no-fund", "--prefix", str(folder))
        subprocess.run(["npm", "install", *options, f"{PACKAGE}@{VERSION}"], check=True)
    return module


def lay_out(folder: Path) -> None:
    """What the tests need, and nothing else."""
    shutil.copytree(PROJECT / "controller", folder / "controller", ignore=SKIPPED)
    shutil.copytree(PORTABLE, folder / "tests" / "portable", ignore=SKIPPED)
    shutil.copy(PROJECT / "tests" / "__init__.py", folder / "tests")
    core = Path(transitions.__file__).parent
    shutil.copytree(core, folder / "transitions", ignore=SKIPPED)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help="such as test_journal (default: all)"
    )
    names = parser.parse_args().names or sorted(path.stem for path in PORTABLE.glob("test_*.py"))
    module = interpreter()
    with tempfile.TemporaryDirectory() as folder:
        lay_out(Path(folder))
        command = ["node", str(Path(__file__).with_suffix(".mjs")), str(module), folder]
        shares = [names[core::CORES] for core in range(min(CORES, len(names)))]
        running = [subprocess.Popen([*command, *share]) for share in shares]
        return max(process.wait() for process in running)


if __name__ == "__main__":
    sys.exit(main())
