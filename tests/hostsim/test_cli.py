"""The command line as a script sees it: exit status, standard output, standard error."""

import csv
import errno
import io
import json
import math
from importlib.metadata import version
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from hostsim import plots
from hostsim.guided.record import write_whole
from hostsim.plant.faults import MIXES
from hostsim.sizing.sheet import Sheet

CONFIG = str(Path(__file__).parents[2] / "configs" / "m4_nut.toml")
VERBS = (
    *("dispense", "serve", "request", "plan", "check", "part", "size"),
    *("registers", "replay", "bundle", "flash"),
)


def plot(path):
    plots.save(Figure(), path)


def draw(path):
    Sheet(10, 10, "page").save(path)


def note(path):
    write_whole(path, "text")


def test_help_names_every_verb(call):
    status, output, _ = call("--help")
    assert status == 0
    assert all(verb in output for verb in VERBS)


def test_it_says_its_version(call):
    assert call("--version") == (0, f"tallywheel {version('tallywheel')}\n", "")


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_help_with_an_example_and_units(verb, call):
    status, output, _ = call(verb, "--help")
    assert status == 0
    assert f"example: tallywheel {verb} " in output
    assert any(unit in output for unit in ("seconds", "microseconds", "unit", "time", "bytes"))


def test_help_lists_every_fault_mix(call):
    _, output, _ = call("dispense", "--help")
    assert all(f"\n  {name} " in output for name in MIXES)


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        ([], "VERB"),
        (["dispense", CONFIG], "--quantity"),
        (["dispense", CONFIG, "--quantity", "0"], "whole number of parts from 1"),
        (["dispense", CONFIG, "--quantity", "2.5"], "whole number of parts"),
        (["dispense", CONFIG, "--quantity", "999999"], "give 1 to 5000"),
        (["dispense", CONFIG, "--quantity", "5", "--faults", "jams"], "did you mean 'jam'"),
        (["dispense", CONFIG, "--quantity", "5", "--faults", "xyz"], "there are none, everyday"),
        (["dispense", CONFIG, "--quantity", "5", "--seed", "-1"], "a whole number from 0 to"),
        (["dispense", CONFIG, "--quantity", "5", "--plot", "x.pdf"], "must end in .svg or .png"),
        (["serve", CONFIG, "--speed", "0"], "from 0.01 to 1000"),
        (["plan", "nowhere.toml", "--pockets", "1"], "give the path of a module description"),
        (["request", "/dev/nowhere", "--quantity", "1"], "there is no such port"),
        (["request", "/dev/null", "--quantity", "1"], "does not work as a serial port"),
        (["request", "nowhere", "--quantity", "1", "--link", "modbus"], "there is no such port"),
        (["request", "x", "--quantity", "1", "--address", "248"], "whole number from 1 to 247"),
        (["replay", "nowhere.csv", "--config", CONFIG], "give the path of a trace"),
    ],
)
def test_trouble_is_told_in_one_line_that_says_what_to_do(arguments, complaint, call):
    status, output, errors = call(*arguments)
    assert status != 0
    assert output == ""
    assert errors.startswith("tallywheel")
    assert errors.count("\n") == 1
    assert complaint in errors


def test_what_is_there_already_is_not_written_over(call, tmp_path):
    notes, folder = tmp_path / "notes", tmp_path / "folder"
    folder.mkdir()
    notes.write_text("keep")
    (folder / "notes").write_text("keep")
    for arguments, complaint in (
        (["serve", CONFIG, "--truth", str(notes)], "does not begin with time_us,module"),
        (["serve", CONFIG, "--hands", str(notes)], "no named pipe"),
        (["serve", CONFIG, "--port", str(notes)], "no link to a terminal"),
        (["bundle", CONFIG, "--out", str(folder)], "is no bundle"),
    ):
        status, output, errors = call(*arguments)
        assert (status, output) == (1, "")
        assert complaint in errors and "give " in errors
    assert notes.read_text() == (folder / "notes").read_text() == "keep"


def test_a_description_is_refused_with_a_line_for_each_key(call, tmp_path):
    text = Path(CONFIG).read_text().replace("pockets = 7", "pockets = 1")
    text = text.replace("drop_mm = 20.0", "drop_mm = -3").replace("microsteps =", "microstep =")
    (tmp_path / "bad.toml").write_text(text)
    status, output, errors = call("check", tmp_path / "bad.toml")
    assert (status, output) == (1, "")
    lines = errors.splitlines()
    assert all(line.startswith("tallywheel check: ") for line in lines)
    pockets = next(line for line in lines if "sprocket.pockets" in line)
    assert "1 pockets" in pockets and "2 to 120 pockets" in pockets
    drop = next(line for line in lines if "beam.drop_mm" in line)
    assert "-3 mm" in drop and "1 to 1000 mm" in drop
    assert any("microstep" in line and "motor.microsteps" in line for line in lines)


def test_json_has_just_the_keys_of_the_contract(call):
    status, output, errors = call(
        "dispense", CONFIG, "--quantity", 8, "--requests", 3, "--seed", 4, "--json"
    )
    assert (status, errors) == (0, "")
    told = json.loads(output)
    assert list(told) == ["requests", "parts_per_minute", "events", "log_sha256"]
    assert [request["ticket"] for request in told["requests"]] == [1, 2, 3]
    for request in told["requests"]:
        assert set(request) == {
            *("ticket", "quantity", "outcome", "lower", "upper", "truth"),
            *("pockets", "retries", "seconds", "cause"),
        }
        assert request["outcome"] == "exact"
        assert request["lower"] == request["upper"] == request["truth"] == request["quantity"] == 8
        assert request["cause"] is None
    seconds = sum(request["seconds"] for request in told["requests"])
    assert math.isclose(told["parts_per_minute"], 24 / seconds * 60, rel_tol=1e-3)
    assert told["events"] > 24
    assert len(bytes.fromhex(told["log_sha256"])) == 32


def test_the_same_seed_gives_the_same_log_with_a_child_as_engine(call):
    def fingerprint(*options):
        arguments = ("--quantity", 5, "--faults", "harsh", "--json", *options)
        return json.loads(call("dispense", CONFIG, *arguments)[1])["log_sha256"]

    assert fingerprint() == fingerprint("--engine", "cpython")
    assert fingerprint() != fingerprint("--seed", 2)


def test_what_is_not_exact_is_no_success(call):
    """A mix in which some pockets drop two parts must be noticed."""
    status, output, errors = call(
        "dispense", CONFIG, "--quantity", 30, "--requests", 4, "--faults", "double"
    )
    assert status == 1
    assert "doubtful" in output.splitlines()[0]
    assert errors.startswith("tallywheel dispense: tickets ")
    assert "check the bags" in errors and errors.count("\n") == 1


def test_a_false_result_is_no_success_and_is_told(call):
    """Parts that fall past the beam unseen cannot be detected (so says the mix's own help)."""
    status, output, errors = call(
        "dispense", CONFIG, "--quantity", 50, "--requests", 4, "--faults", "beside"
    )
    assert status == 1
    assert "NOT TRUE" in output
    assert errors.count("\n") == 1 and "cannot be detected" in errors


def test_the_verdict_comes_first_and_then_a_row_for_each_request(call):
    _, output, _ = call("dispense", CONFIG, "--quantity", 5, "--requests", 2)
    verdict, _, headings, _, first, second = output.splitlines()
    assert verdict.startswith("2 exact, of 2 requests (M4 nut)")
    assert headings.split()[:3] == ["ticket", "quantity", "outcome"]
    assert first.split()[:3] == ["1", "5", "exact"]
    assert second.split()[:3] == ["2", "5", "exact"]


def test_of_many_requests_only_those_not_exact_are_listed(call):
    _, output, _ = call("dispense", CONFIG, "--quantity", 1, "--requests", 60)
    assert output.startswith("60 exact, of 60 requests")
    assert output.count("\n") < 10


def test_where_a_picture_cannot_go_is_said_before_anything_runs(call):
    status, output, errors = call("plan", CONFIG, "--pockets", 1, "--plot", "no/where.svg")
    assert (status, output) == (2, "")
    assert "there is no folder 'no'" in errors


def test_a_trace_is_recorded_and_counts_to_the_same(call, tmp_path):
    trace = tmp_path / "bag.csv"
    assert call("dispense", CONFIG, "--quantity", 5, "--trace", trace)[0] == 0
    assert trace.read_text().startswith("time_us,what,a,b\n")
    status, output, _ = call("replay", trace, "--config", CONFIG)
    assert status == 0
    assert output.startswith("ticket 1: 5 of 5 parts, as reported\n")
    assert output.count(" good ") == 5


def test_a_trace_that_counts_to_something_else_is_no_success(call, tmp_path):
    trace = tmp_path / "bag.csv"
    call("dispense", CONFIG, "--quantity", 3, "--trace", trace)
    rows = [line for line in trace.read_text().splitlines() if ",edge," not in line]
    trace.write_text("\n".join(rows) + "\n")  # as if nobody had listened to the beam
    status, output, errors = call("replay", trace, "--config", CONFIG)
    assert status == 1
    assert output.startswith("ticket 1: 0 to 3 of 3 parts, reported as 3 to 3")
    assert "ticket 1 not counted as reported" in errors


@pytest.mark.parametrize("pockets", [1, 25])
def test_plan_lists_every_step(pockets, call):
    """200 x 16 microsteps x 51/17 over 7 pockets; 4.33 rev/s at most, from rest to rest."""
    status, output, _ = call("plan", CONFIG, "--pockets", pockets, "--csv")
    assert status == 0
    rows = list(csv.DictReader(io.StringIO(output)))
    assert list(rows[0]) == ["step", "time_us", "interval_us"]
    assert [int(row["step"]) for row in rows] == list(range(1, round(pockets * 9600 / 7) + 1))
    # In ticks of 0.2 us the sums are exact.
    at = 0
    for row in rows:
        interval = round(float(row["interval_us"]) * 5)
        assert math.isclose(interval / 5, float(row["interval_us"]))
        assert interval * 4.33 * 3200 >= 5_000_000
        at += interval
        assert at == round(float(row["time_us"]) * 5)
    # Symmetric: what speeds up slows down in the same way. The interval before the first step
    # has its counterpart after the last one, where nothing follows.
    intervals = [row["interval_us"] for row in rows]
    assert float(intervals[0]) == max(map(float, intervals))


def test_plan_sums_the_run_up(call):
    _, output, _ = call("plan", CONFIG, "--pockets", 25)
    lines = output.splitlines()
    assert lines[0].startswith("nut module: 25 pockets in 2.5")
    assert any(line.split()[:4] == ["steps", "per", "pocket", "9600/7"] for line in lines)


@pytest.mark.parametrize(
    ("arguments", "name", "begins"),
    [
        (("plan", CONFIG, "--pockets", 2), "run.svg", b"<?xml"),
        (("dispense", CONFIG, "--quantity", 4, "--faults", "empty"), "bag.png", b"\x89PNG"),
    ],
)
def test_pictures_are_drawn_and_come_out_the_same_again(arguments, name, begins, call, tmp_path):
    drawn = []
    for _ in range(2):
        assert call(*arguments, "--plot", tmp_path / name)[0] == 0
        drawn.append((tmp_path / name).read_bytes())
    assert drawn[0].startswith(begins)
    assert drawn[0] == drawn[1]


def test_check_prints_figures_with_units(call):
    status, output, _ = call("check", CONFIG)
    assert status == 0
    assert "9600/7" in output and "pockets/s" in output
    assert json.loads(call("check", CONFIG, "--json")[1])["binding"] in output


FULL = Path("/dev/full")  # Linux: opens, and has no space left


@pytest.mark.skipif(not FULL.exists(), reason="there is no device that is always full")
def test_a_full_disk_is_told_with_the_name_of_the_file(call):
    status, _, said = call("dispense", CONFIG, "--quantity", 2, "--trace", FULL)
    assert status == 1
    assert "cannot write /dev/full: No space left on device" in said


@pytest.mark.parametrize("save", [plot, draw, note], ids=lambda save: save.__name__)
def test_every_way_to_write_a_file_names_it(save, tmp_path, monkeypatch):
    path = tmp_path / "page.svg"

    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    for way in ("write_text", "open"):
        monkeypatch.setattr(Path, way, full)
    monkeypatch.setattr(Figure, "savefig", full)
    with pytest.raises(OSError, match="No space left on device") as told:
        save(path)
    assert told.value.filename == str(path)
