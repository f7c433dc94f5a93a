"""The pictures of `tallywheel check`: drawn for any module, and the same for the same one."""

import json

import pytest

from hostsim.cli import main
from hostsim.drivetrain.torqueplot import plot_drive
from hostsim.figures import check
from hostsim.joints.stepplot import plot_joint
from hostsim.sensing.beamplot import plot_beam
from tests.hostsim.described import CONFIGS, described

PICTURES = ("beam.svg", "drive.svg", "joint.svg")


def draw(config, where):
    report = check(config)
    plot_drive(config, report.drive, where / "drive.svg")
    plot_beam(config, report.facts, report.sensing, where / "beam.svg")
    if report.joint:
        plot_joint(config, report.joint, where / "joint.svg")
    return {path.name: path.read_bytes() for path in where.iterdir()}


def test_check_draws_three_pictures_into_a_folder(tmp_path, capsys):
    assert main(["check", str(CONFIGS[0]), "--plots", str(tmp_path)]) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == list(PICTURES)
    shown = capsys.readouterr().out
    assert "No warnings." in shown
    (drawn,) = [line for line in shown.splitlines() if line.startswith("drawn: ")]
    assert all(str(tmp_path / name) in drawn for name in PICTURES)
    with pytest.raises(SystemExit):
        main(["check", str(CONFIGS[0]), "--plots", str(tmp_path / "nowhere")])
    assert "make it first" in capsys.readouterr().err


def test_the_same_module_gives_the_same_pictures_and_another_one_does_not(tmp_path):
    first, again, other = (tmp_path / name for name in ("first", "again", "other"))
    for where in (first, again, other):
        where.mkdir()
    drawn = draw(described(), first)
    assert draw(described(), again) == drawn
    changed = draw(
        described(motor={"supply_v": 9.0}, beam={"drop_mm": 22.0}, joint={"layer_mm": 0.3}), other
    )
    assert all(changed[name] != drawn[name] for name in PICTURES)


@pytest.mark.parametrize(
    "changes",
    [
        {"gear": {"friction_n_m": 5.0}},  # the motor can't
        {"motor": {"pull_out": [[0, 0.3], [2, 0.2]]}},  # nothing is known at cruise
        {"magazine": {"incline_deg": 6.0}, "joint": {"located_by": "none"}},
        {"magazine": {"side_pressure": 0.0}},
        {"beam": {"drop_tolerance_mm": 0.0}, "sprocket": {"scatter_deg": 0.0}},
        {"limits": {"jerk_rev_s3": 0}, "joint": {"print_tolerance_mm": 0.0, "layer_mm": 0.0}},
    ],
    ids=["weak", "unknown", "flat", "wall-less", "exact", "abrupt"],
)
@pytest.mark.filterwarnings("error")
def test_a_module_at_the_end_of_a_range_is_drawn_and_told(changes, tmp_path):
    config = described(**changes)
    assert set(draw(config, tmp_path)) >= {"beam.svg", "drive.svg"}
    report = check(config)
    assert report.render()
    json.loads(report.to_json(), parse_constant=pytest.fail)  # neither NaN nor Infinity
