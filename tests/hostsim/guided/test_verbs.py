"""`tallywheel bringup` and `commission` from the command line, at a served module."""

import json
from pathlib import Path

import pytest

from hostsim.cli import main
from tests.hostsim.test_serve import CONFIG, Server

OTHER = CONFIG.with_name("m4x12_socket_screw.toml")


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """(port, hands) of a module that is not quite what its description says."""
    folder = tmp_path_factory.mktemp("served")
    machine = folder / "machine.toml"
    machine.write_text(CONFIG.read_text().replace("drop_mm = 20.0", "drop_mm = 23.0"))
    hands = folder / "hands"
    server = Server("--machine", machine, "--hands", hands, "--speed", "200")
    yield server.path, str(hands)
    server.end()


def guided(verb, port, tmp_path, *options):
    return main([verb, port, "--record", str(tmp_path / f"{verb}.json"), *map(str, options)])


def test_from_the_first_power_up_to_a_measured_description(served, tmp_path, capsys):
    port, hands = served
    assert guided("bringup", port, tmp_path, "--config", CONFIG, "--hands", hands) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[-1] == f"next: tallywheel commission {port} --config {CONFIG}"
    assert json.loads((tmp_path / "bringup.json").read_text())["finished"]
    assert "passed" in (tmp_path / "bringup.html").read_text()
    out = tmp_path / "measured.toml"
    quick = ("--parts", 60, "--turns", 2, "--trial", 50, "--target", 0.9)
    status = guided(
        "commission", port, tmp_path, "--config", CONFIG, "--hands", hands, "--out", out, *quick
    )
    assert status == 0
    said = capsys.readouterr().out.splitlines()
    assert said[-1].startswith(f"next: tallywheel bundle {out} --out build/measured")
    assert "drop_mm = 2" in out.read_text() and "was 20.0" in out.read_text()
    assert "<svg" in (tmp_path / "commission.html").read_text()


def refused(capsys, status):
    said = capsys.readouterr()
    assert status == 1
    (line,) = said.err.splitlines()
    return line


def test_a_description_the_module_does_not_run_with_ends_at_the_first_step(
    served, tmp_path, capsys
):
    port, hands = served
    for verb in ("bringup", "commission"):
        status = guided(verb, port, tmp_path, "--config", OTHER, "--hands", hands)
        said = refused(capsys, status)
        assert "failed at 'Who is there'" in said
        assert "same command" not in said  # it would fail again
        assert "with the description that the module was flashed with" in said


def test_no_module_and_no_pipe_are_told_in_a_line(served, tmp_path, capsys):
    port, _ = served
    status = guided("bringup", str(tmp_path / "tty"), tmp_path, "--hands", served[1])
    assert "there is no such port" in refused(capsys, status)
    status = guided("bringup", port, tmp_path, "--hands", tmp_path / "hands")
    assert "tallywheel serve CONFIG --hands" in refused(capsys, status)
    notes = tmp_path / "notes"
    notes.write_text("keep")
    status = guided("bringup", port, tmp_path, "--hands", notes)
    assert "no named pipe" in refused(capsys, status)
    assert notes.read_text() == "keep"


def test_a_file_that_is_no_record_is_told_in_a_line_and_kept(served, tmp_path, capsys):
    port, hands = served
    (tmp_path / "bringup.json").write_text("notes")
    status = guided("bringup", port, tmp_path, "--hands", hands)
    assert "is no record" in refused(capsys, status)
    assert Path(tmp_path / "bringup.json").read_text() == "notes"


def test_another_description_is_not_written_over(served, tmp_path, capsys):
    port, hands = served
    other = tmp_path / "other.toml"
    other.write_text("keep")
    options = ("--config", CONFIG, "--hands", hands, "--out", other)
    assert "exists: give another name" in refused(
        capsys, guided("commission", port, tmp_path, *options)
    )
    assert other.read_text() == "keep"


def test_the_report_is_not_written_over_its_record(served, tmp_path, capsys):
    port, hands = served
    record = tmp_path / "bringup.html"
    status = main(["bringup", port, "--hands", hands, "--record", str(record)])
    assert "give one another name" in refused(capsys, status)
    assert not record.exists()


class Leaves:
    """A keyboard at which somebody presses Ctrl-C as soon as something is asked."""

    def readline(self):
        raise KeyboardInterrupt


def test_who_interrupts_is_told_that_the_unit_stops_and_how_to_go_on(
    served, tmp_path, capsys, monkeypatch
):
    port, _ = served
    monkeypatch.setattr("sys.stdin", Leaves())
    assert guided("bringup", port, tmp_path) == 130
    said = capsys.readouterr().err
    assert "told to stop" in said and "run the same command again" in said
    steps = json.loads((tmp_path / "bringup.json").read_text())["steps"]
    assert [step["key"] for step in steps] == ["identity"]


def test_with_nobody_at_the_keyboard_nothing_turns(served, tmp_path, capsys, monkeypatch):
    port, _ = served
    monkeypatch.setattr("sys.stdin", open("/dev/null", encoding="ascii"))  # noqa: SIM115
    assert "left at" in refused(capsys, guided("bringup", port, tmp_path))
