"""The files of tests/portable once more, in a MicroPython whose integers are those of a board.

The MicroPython of `test_portable.py` has words of 64 bits, and small integers of 63.  On a 32-bit
board they have 31: what is beyond takes memory, and behaves as Python says only if nothing relies
on the difference.  This one (`tests/wasm32.py`) has words of 32 bits.

The tests lie in a ROMFS image, for its file system reads a few bytes at a time, and some tests
import often.  Nothing is collected, so that there must be room for all the garbage of a file.
"""

import contextlib
import io
import json
import shutil
from pathlib import Path

import pytest
import transitions
from mpremote.romfs import make_romfs

from hostsim.bundle.build import ROMFS
from hostsim.bundle.compile import TRANSITIONS_FILES
from tests.wasm32 import SAID, START, import_order, run

PROJECT = Path(__file__).resolve().parent.parent
FILES = sorted((PROJECT / "tests" / "portable").glob("test_*.py"))
SOURCES = ("controller", "tests/portable")
HEAP_MB = 384  # the most garbage of one file is 230 MB; little of what is not used is touched

# The firmware is imported from the leaves on: this interpreter's own stack is too small for an
# import that goes through all its rooms.  A collection in a test would be one under a call; what
# asks for one gets none.
TESTS = """
import gc as true_gc

class Gc:
    mem_alloc = true_gc.mem_alloc
    mem_free = true_gc.mem_free
    def collect(self): pass
    def disable(self): pass
    def enable(self): pass

sys.modules["gc"] = Gc()
from controller.shims.install import install
install()
{imports}
from tests.portable import run
passed, failed = run.run_file("{name}")
ask("told", json.dumps([sys.maxsize, passed, failed]))
"""


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with the image of firmware and tests, compiled with their assertions."""
    where = tmp_path_factory.mktemp("portable32")
    laid = where / "laid"
    for name in SOURCES:
        skipped = shutil.ignore_patterns("__pycache__")
        shutil.copytree(PROJECT / name, laid / name, ignore=skipped)
    shutil.copy(PROJECT / "tests" / "__init__.py", laid / "tests")
    (laid / "transitions").mkdir()
    for name in TRANSITIONS_FILES:
        shutil.copy(Path(transitions.__file__).parent / name, laid / "transitions")
    with contextlib.redirect_stdout(io.StringIO()):  # it lists every file
        (where / ROMFS).write_bytes(make_romfs(str(laid), mpy_cross=True))
    return where


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_with_words_of_32_bits(image: Path, file: Path, tmp_path: Path) -> None:
    told: list[str] = []
    imports = "\n".join(f"import {name}" for name in import_order("controller.firmware"))
    program = START + TESTS.format(imports=imports, name=file.stem)
    run(program, image, True, tmp_path, HEAP_MB, told=told.append)
    (result,) = told
    largest, passed, failed = json.loads(result)
    assert largest == 2**31 - 1
    assert passed and not failed, (tmp_path / SAID).read_text()
