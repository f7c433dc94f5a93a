"""A board's own code as it goes onto the board: compiled, folded, shaken, in real MicroPython."""

import json
import subprocess
from importlib import import_module
from pathlib import Path

from hostsim.bundle import build
from hostsim.bundle.boards import BOARDS
from hostsim.config import load
from hostsim.engine import PROJECT, find_micropython
from tests.portable.wheel import wheel_settings

# Modules of which the fakes import numbers.
NUMBERED = (
    "controller.board.ports",
    "controller.board.lockstep",
    "controller.cycle.requestchart",
    "controller.cycle.unit",
    "controller.motion.sprocket",
)


def test_a_bundled_board_dispenses(tmp_path: Path) -> None:
    where = tmp_path / "bundle"
    build.write(build.make(load("configs/m4_nut.toml"), BOARDS["rp2350"]), where)
    numbers = {
        name: {
            word: value
            for word, value in vars(import_module(name)).items()
            if word.isupper() and type(value) is int
        }
        for name in NUMBERED
    }
    (tmp_path / "numbers.json").write_text(json.dumps(numbers))
    (tmp_path / "settings.json").write_text(wheel_settings().to_json())
    done = subprocess.run(
        [find_micropython(), Path(__file__).with_name("bundled.py"), where, PROJECT, tmp_path],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    who, state, result, restart, end = done.stdout.strip().splitlines()
    assert who == "Tallywheel,nut module,E6614104032B712A,0.1.0"
    assert state == "6,EXECUTE"
    assert result.startswith("1;1,12,0,12,12,")
    assert restart == '0,"";0,"No error"'
    assert end == f"done {where}/controller/board/rp2/loop.mpy"
