"""A bundle holds what it says, the same bytes every time, and replaces nothing but a bundle."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from controller.motion.profile import Planner
from controller.settings import from_json
from hostsim.bundle import build, manifest
from hostsim.bundle.boards import BOARDS, problems
from hostsim.bundle.compile import CompileError, compile_all
from hostsim.bundle.manifest import NoBundleError
from hostsim.cli import main
from hostsim.config import load

ROOT = Path(__file__).parents[3]
CONFIGS = sorted((ROOT / "configs").glob("*.toml"))
FLASH_MAX = 200_000  # bytes; the project's own aim


def contents(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_every_module_of_the_firmware_is_in_it(made):
    modules = {path.relative_to(ROOT).as_posix() for path in (ROOT / "controller").rglob("*.py")}
    compiled = {path.removesuffix("mpy") + "py" for path in made.files if path.endswith(".mpy")}
    assert compiled >= modules - {"controller/board/start.py"}
    assert {"transitions/core.mpy", "main.py", "settings.json", "profile.bin"} <= set(made.files)
    assert not any("extensions" in path for path in made.files)


def test_it_fits_on_the_flash(made):
    assert made.manifest.total_bytes + len(made.manifest.to_json()) <= FLASH_MAX


def test_the_compiled_files_are_bytecode_for_any_chip(made):
    # MicroPython, "MicroPython .mpy files": magic, version, flags and architecture (0: none), bits
    # of a small integer, which may be no more than those of the interpreter: 31 on a 32-bit board.
    for path, data in made.files.items():
        if path.endswith(".mpy"):
            assert data[:4] == bytes([ord("M"), 6, 0, 31]), path


def test_both_boards_get_the_same_bytecode(nut, made):
    other = build.make(nut, BOARDS["rp2350"])
    differing = {path for path in made.files if other.files[path] != made.files[path]}
    assert differing == {"settings.json"}  # which says for which board it is
    assert set(other.files) == set(made.files)
    assert json.loads(other.files["settings.json"])["board_name"] == "rp2350"
    assert other.manifest.board == "rp2350"


def test_the_same_description_gives_the_same_bytes(nut, made, folder, tmp_path):
    again = build.make(nut, BOARDS["rp2040"], romfs=True)
    build.write(again, tmp_path / "elsewhere")
    assert contents(tmp_path / "elsewhere") == contents(folder)
    assert str(tmp_path).encode() not in b"".join(contents(folder).values())


def test_what_is_in_the_folder_is_what_the_manifest_says(made, folder):
    about = manifest.read(folder)
    assert about == made.manifest
    assert manifest.verify(folder, about) == []
    assert set(contents(folder)) == {*about.files, "manifest.json", "firmware.romfs"}


@pytest.mark.parametrize("config", CONFIGS, ids=lambda path: path.stem)
def test_settings_and_words_are_those_of_the_module(config):
    made = build.make(load(config), BOARDS["rp2350"])
    settings = from_json(made.files["settings.json"].decode())
    assert settings.as_dict() == load(config).settings.as_dict()
    limits = (
        settings.limit_velocity_steps_s,
        settings.limit_acceleration_steps_s2,
        settings.limit_jerk_steps_s3,
    )
    taken, planned = Planner(*limits, made.files["profile.bin"]), Planner(*limits)
    assert taken.planned == 0
    lengths = build.short_lengths(settings, planned.ramp_steps)
    for steps in [*lengths, 2 * planned.ramp_steps, 100_000]:
        assert taken.move(steps, 1).head == planned.move(steps, 1).head
        assert taken.move(steps, 1).tail == planned.move(steps, 1).tail
    assert taken.planned == 0


def test_runs_over_few_pockets_are_planned_ahead_where_they_are_short(nut):
    slow = {**nut.settings.as_dict(), "limit_acceleration_steps_s2": 40_000}
    slow["limit_jerk_steps_s3"] = 0
    settings = from_json(json.dumps(slow))
    planner = Planner(settings.limit_velocity_steps_s, 40_000, 0)
    lengths = build.short_lengths(settings, planner.ramp_steps)
    # A pocket is 9600 / 7 steps, so a run over one of them is 1371 or 1372 steps.
    assert lengths == [1371, 1372, 2742, 2743, 4114, 4115]
    assert 2 * planner.ramp_steps > 4115


def test_a_ramp_that_is_too_long_for_the_board_is_refused():
    board = BOARDS["rp2040"]
    assert problems(board, board.words_bytes // 4, 0) == []
    (said,) = problems(board, board.words_bytes // 4 + 1, 0)
    assert f"{board.words_bytes + 4} bytes" in said
    assert f"{board.words_bytes}" in said
    assert "limit.velocity" in said
    (said,) = problems(board, 0, board.flash_bytes + 1)
    assert str(board.flash_bytes) in said


def test_a_source_that_does_not_compile_is_named():
    with pytest.raises(CompileError, match=r"controller/odd\.py"):
        compile_all({"controller/odd.py": b"match x:\n    case 1: pass\n"}, "armv6m")


def test_an_older_bundle_is_replaced_and_nothing_of_it_stays(made, tmp_path):
    where = tmp_path / "there"
    build.write(made, where)
    (where / "controller" / "left.mpy").write_bytes(b"from an older version")
    build.write(replace(made, romfs=b""), where)
    assert set(contents(where)) == {*made.manifest.files, "manifest.json"}
    assert list(tmp_path.iterdir()) == [where]


def test_an_empty_folder_may_be_used(made, tmp_path):
    build.write(made, tmp_path)
    assert manifest.read(tmp_path) == made.manifest


@pytest.mark.parametrize("name", ["notes.txt", "manifest.json"])
def test_a_folder_that_is_no_bundle_is_left_alone(made, tmp_path, name):
    where = tmp_path / "mine"
    where.mkdir()
    (where / name).write_text('{"format": "another"}')
    with pytest.raises(NoBundleError):
        build.write(made, where)
    assert contents(where) == {name: b'{"format": "another"}'}
    assert list(tmp_path.iterdir()) == [where]


def test_a_damaged_bundle_is_told(made, tmp_path):
    where = tmp_path / "b"
    build.write(made, where)
    (where / "settings.json").write_text("{}")
    (where / "main.py").unlink()
    told = manifest.verify(where, manifest.read(where))
    assert sorted(line.split(":")[0] for line in told) == ["main.py", "settings.json"]
    (where / "manifest.json").write_text("{")
    with pytest.raises(NoBundleError, match="damaged"):
        manifest.read(where)


def test_the_verb_makes_one_and_prints_the_sizes(tmp_path, capsys):
    where = tmp_path / "out"
    assert main(["bundle", str(CONFIGS[0]), "--out", str(where), "--board", "rp2350"]) == 0
    output = capsys.readouterr().out
    about = manifest.read(where)
    whole = about.total_bytes + (where / "manifest.json").stat().st_size
    (row,) = (line.split() for line in output.splitlines() if line.startswith("all"))
    assert row == ["all", str(len(about.files) + 1), str(whole)]
    assert whole == sum(map(len, contents(where).values()))
    assert "for rp2350" in output
    assert output.endswith(f"\nnext: tallywheel flash PORT {where}\n")


def test_for_a_board_with_little_heap_it_says_what_micropython_it_needs(tmp_path, capsys):
    where = tmp_path / "out"
    assert main(["bundle", str(CONFIGS[0]), "--out", str(where), "--board", "rp2040"]) == 0
    said = capsys.readouterr().out
    assert "built with MICROPY_HW_ROMFS_BYTES=262144" in said
    assert said.endswith(f"\nnext: tallywheel flash PORT {where}\n")


def test_the_verb_refuses_in_one_line(tmp_path, capsys, monkeypatch):
    (tmp_path / "keep.txt").write_text("mine")
    assert main(["bundle", str(CONFIGS[0]), "--out", str(tmp_path)]) == 1
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 1
    assert "manifest.json" in said[0]
    assert "--out" in said[0]
    monkeypatch.chdir(tmp_path)
    assert main(["bundle", str(CONFIGS[0]), "--out", "."]) == 1
    assert "the folder you are in" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["bundle", str(CONFIGS[0]), "--out", str(tmp_path / "x"), "--board", "rp2400"])
    assert "did you mean 'rp2040'?" in capsys.readouterr().err
