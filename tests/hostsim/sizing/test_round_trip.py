"""From a part to parts: what is written passes `check` and delivers, as fast as was predicted.

The rest of the library and more widths are in tests/bench/study_sizing.py.
"""

import json
import shlex

import pytest

from hostsim.cli import main
from hostsim.config import load
from hostsim.dispensing import dispense
from hostsim.facts import measure
from hostsim.figures import check
from hostsim.module import SimModule

CASES = (
    ("ISO 4032 M5", "--width", "60"),
    ("ISO 7089 M3", "--pockets", "9..10"),
    ("ISO 4762 M4x12", "--pitch-radius", "18"),
    ("ISO 7380-1 M6x20", "--rate", "5"),
    ("ISO 10642 M3x8", "--motor", "nema17-34"),
    ("ring outer=8mm hole=4.2mm height=6mm density=2.7g/cm3", "--width", "55"),
)
QUANTITY = 25  # less than any of the magazines holds


@pytest.mark.parametrize("case", CASES, ids=" ".join)
def test_what_is_written_passes_check_and_delivers_at_the_rate_predicted(case, tmp_path, capsys):
    path = tmp_path / "sized.toml"
    part, *options = case
    options = [part, *options] if "--pockets" in options else [part, *options, "--pockets", "6..7"]
    assert main(["size", *options, "--out", str(path)]) == 0
    output = capsys.readouterr().out
    assert output.splitlines()[-1] == f"next: tallywheel check {path}"
    assert "warning" not in output
    config = load(path)
    assert check(config).warnings == []
    with SimModule(config, seed=11) as module:
        first, second = dispense(module, QUANTITY, 2)
    for each in (first, second):
        assert each.exact and each.truthful and each.truth == QUANTITY
    # From the order to the last part, the place being known: within 5 % of what was predicted.
    assert second.result.seconds == pytest.approx(measure(config).settled_s[QUANTITY], rel=0.05)


def test_the_report_is_the_file(tmp_path, capsys):
    path = tmp_path / "sized.toml"
    options = ["size", "ISO 4032 M4", "--pockets", "7", "--out", str(path), "--json"]
    assert main(options) == 0
    told = json.loads(capsys.readouterr().out)
    best, values = told["best"], load(path).values
    assert best == told["designs"][0]
    assert values["sprocket"]["pockets"] == best["pockets"] == 7
    assert values["sprocket"]["pitch_radius_mm"] == best["pitch_radius_mm"]
    assert values["sprocket"]["dwell_deg"] == best["dwell_deg"]
    assert values["gear"]["stages"] == best["stages"]
    assert values["limits"]["velocity_rev_s"] == best["velocity_rev_s"]
    assert values["beam"]["drop_mm"] == best["drop_mm"]
    facts = measure(load(path))
    assert str(facts.steps_per_pocket) == best["steps_per_pocket"]
    assert list(facts.rounding) == best["rounding"]
    assert facts.cruise_rate == pytest.approx(best["rate"], rel=0.002)


def test_the_written_file_says_what_made_it_and_asks_to_measure(tmp_path, capsys):
    path = tmp_path / "sized.toml"
    assert main(["size", "ISO 4032 M4", "--width", "60", "--out", str(path)]) == 0
    capsys.readouterr()
    text = path.read_text()
    assert 'tallywheel size "ISO 4032 M4" --width 60' in text
    assert "Measure them" in text
    keys = [line for line in text.splitlines() if "=" in line and not line.startswith("#")]
    assert sum("#" in line for line in keys) > 0.6 * len(keys)


def test_a_description_is_not_written_over(tmp_path, capsys):
    path = tmp_path / "measured.toml"
    path.write_text("# by hand\n")
    with pytest.raises(SystemExit):
        main(["size", "ISO 4032 M4", "--out", str(path)])
    assert "exists: give another name" in capsys.readouterr().err
    assert path.read_text() == "# by hand\n"


def test_a_picture_of_the_designs(tmp_path, capsys):
    for name in ("sizes.svg", "sizes.png"):
        assert main(["size", "ISO 4032 M4", "--pockets", "7", "--plot", str(tmp_path / name)]) == 0
        assert (tmp_path / name).stat().st_size > 5_000
    assert f"wrote {tmp_path / 'sizes.png'}" in capsys.readouterr().out


def test_a_stranger_gets_from_a_part_to_100_parts_by_the_commands_that_are_printed(
    tmp_path, capsys, monkeypatch
):
    """Nothing but the first command is known; each prints the next as its last line."""
    monkeypatch.chdir(tmp_path)
    command = 'tallywheel size "ISO 4032 M5" --width 60'
    commands = []
    while command:
        commands.append(command)
        assert main(shlex.split(command)[1:]) == 0
        output = capsys.readouterr().out
        last = output.rstrip().splitlines()[-1]
        command = last.removeprefix("next: ") if last.startswith("next: ") else ""
        assert len(commands) < 6
    verbs = [shlex.split(each)[1] for each in commands]
    assert verbs == ["size", "size", "check", "dispense"]
    assert "exact: 100 of 100 parts (M5 nut)" in output
    assert {path.suffix for path in tmp_path.iterdir()} == {".toml", ".svg"}


@pytest.mark.parametrize("name", ["ISO 7089 M10", "ring outer=40mm hole=20mm height=3mm"])
def test_what_comes_after_looking_at_a_part_runs_for_a_large_one_too(name, capsys):
    assert main(["part", name]) == 0
    last = capsys.readouterr().out.rstrip().splitlines()[-1]
    assert main(shlex.split(last.removeprefix("next: "))[1:]) == 0


def test_the_example_of_the_help_is_one_that_runs(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for verb in ("size", "part"):
        with pytest.raises(SystemExit):
            main([verb, "--help"])
        example = capsys.readouterr().out.split("example: ")[1].strip()
        assert main(shlex.split(example)[1:]) == 0
        capsys.readouterr()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["ISO 4032 M5", "--pockets", "9..5"], "give pockets as A..B"),
        (["ISO 4032 M5", "--pockets", "2"], "give pockets as A..B, 3 to 60"),
        (["ISO 4032 M5", "--width", "60", "--pitch-radius", "20"], "not allowed with"),
        (["ISO 4032 M5", "--width", "6"], "a number of mm from 10"),
        (["ISO 4032 M5", "--width", "wide"], "a number of mm"),
        (["ISO 4032 M5", "--rate", "0"], "a number of parts a second"),
        (["ISO 4032 M5", "--rate", "60"], "ask for a --rate of 10.6 or less"),
        (["ISO 4032 M5", "--motor", "big"], "there is no motor 'big'"),
        (["ISO 4032 M5", "--out", "sized.txt"], "must end in .toml"),
        (["ISO 4032 M5", "--drawing", "wheel.png"], "must end in .svg"),
        (["ISO 4032 M5", "--out", "nowhere/x.toml"], "there is no folder"),
        (["ISO 4032 M55"], "it has M2.5, M3"),
        (["ring outer=5 hole=2mm height=1mm"], "give a number and its unit"),
    ],
)
def test_trouble_is_told_in_one_line(arguments, said, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    try:
        status = main(["size", *arguments])
    except SystemExit as end:
        status = end.code
    output, errors = capsys.readouterr()
    assert status != 0 and output == ""
    assert said in errors and errors.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
