"""What people and scripts do wrong: it is told in lines, writes over nothing, and ends.

Nothing here may end in a traceback: an exception that `main` lets through fails its test. With
TALLYWHEEL_THOROUGH=1 many times as many descriptions are spoilt.
"""

import errno
import os
import re
import signal
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest
import tomlkit

from hostsim import cli
from hostsim.cli import main
from hostsim.config import ConfigError, convert, load
from hostsim.named import replacing
from tests.hostsim.mutation import FILES, other_values, spoilt_text
from tests.invariants.effort import times

NUT = str(next(path for path in FILES if path.stem == "m4_nut"))
LINE_MAX = 600  # characters of a line about one mistake; a long name is cut
LONG = "x" * 300  # longer than any file system takes a name
WHY = "Permission denied; choose another place"
HUGE = "9" * 5_000  # more digits than Python reads
ORDER = ("dispense", NUT, "--quantity")


MISUSED = [
    (*ORDER, HUGE),
    (*ORDER, "nan"),
    (*ORDER, ""),
    (*ORDER, "2", "--trace", f"{LONG}/{LONG}"),
    (*ORDER, "2", "--trace", "."),
    (*ORDER, "2", "--trace", ""),
    (*ORDER, "2", "--plot", f"{LONG}/x.svg"),
    (*ORDER, "2", "--plot", "\udcff/x.svg"),
    (*ORDER, "2", "--requests", "-1"),
    (*ORDER, "2", "--faults", LONG),
    ("check", NUT, "--plots", LONG),
    ("check", NUT, "--plots", ""),
    ("plan", NUT, "--pockets", HUGE),
    ("serve", NUT, "--speed", "nan"),
    ("serve", NUT, "--speed", HUGE),
    ("serve", NUT, "--port", f"{LONG}/{LONG}"),
    ("serve", NUT, "--hands", f"{LONG}/{LONG}"),
    ("size", "ISO 4032 M5", "--pockets", "5..99999"),
    ("size", "ISO 4032 M5", "--pockets", "16..5"),
    ("size", "ISO 4032 M5", "--width", "60", "--pitch-radius", "10"),
    ("size", "ISO 4032 M5", "--rate", "inf"),
    ("request", "port", "--quantity", "1", "--ticket", HUGE),
    ("commission", "port", "--config", NUT, "--target", "nan"),
]
FAILED = [
    ("check", LONG),
    ("check", "."),
    ("check", f"{NUT}/under"),
    ("check", os.devnull),
    (*ORDER, "2", "--trace", LONG),
    (*ORDER, "2", "--trace", NUT),
    ("part", f"{LONG}.toml"),
    ("part", "ring outer=1e400mm hole=3mm height=3mm"),
    ("part", "ring outer=6mm outer=7mm hole=3mm height=3mm"),
    ("part", 'ring outer="6mm'),
    ("size", "ISO 4032 M5", "--motor", LONG),
    ("size", "ISO 4032 M5", "--out", f"{LONG}.toml"),
    ("replay", NUT, "--config", NUT),
    ("replay", LONG, "--config", NUT),
    ("serve", NUT, "--machine", LONG),
    ("serve", NUT, "--store", "."),
    ("serve", NUT, "--store", f"{LONG}/{LONG}"),
    ("serve", NUT, "--truth", f"{LONG}"),
    ("serve", NUT, NUT, "--link", "modbus"),
    ("bundle", NUT, "--out", LONG),
    ("bundle", NUT, "--out", ""),
    ("flash", "port", LONG),
    ("bringup", LONG, "--report", NUT),
    ("bringup", LONG),
    ("service", LONG, "--per-day", "1"),
    ("request", "", "--quantity", "1"),
]


@pytest.mark.parametrize(
    ("status", "arguments"),
    [*((2, each) for each in MISUSED), *((1, each) for each in FAILED)],
    ids=lambda value: " ".join(value)[:60] if isinstance(value, tuple) else None,
)
def test_a_misuse_is_told_in_lines_that_a_screen_can_hold(
    status, arguments, call, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    kept = Path(NUT).read_bytes()
    ended, output, errors = call(*arguments)
    assert (ended, output) == (status, "")
    lines = errors.splitlines()
    # A description has a line for each key, everything else one.
    assert len(lines) == 1 or (arguments == ("check", os.devnull) and len(lines) > 20)
    for line in lines:
        assert line.startswith(f"tallywheel {arguments[0]}: ")
        assert len(line.replace(LONG, "")) < LINE_MAX
    assert Path(NUT).read_bytes() == kept
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "rows",
    [
        b"0,open,1," + b"7" * 200_000,
        b"0,open,1,7\n" + b"9" * 5_000 + b",edge,1,0",
        b"0,open,1,7\n1,edge,1\0,0",
        b'0,open,1,"7\n1,edge,1,0',
        b"5,open,1,7\n4,edge,1,0",
        b"0,open,1",
        b"\xff\xfe",
    ],
    ids=["long field", "many digits", "nul", "open quote", "back in time", "short", "binary"],
)
def test_a_spoilt_trace_is_refused_with_its_line(rows, call, tmp_path):
    path = tmp_path / "trace.csv"
    path.write_bytes(b"time_us,what,a,b\n" + rows + b"\n")
    status, output, errors = call("replay", path, "--config", NUT)
    assert (status, output, errors.count("\n")) == (1, "", 1)
    assert re.match(rf"tallywheel replay: {path}: line \d", errors)


def test_a_description_spoilt_as_text_is_refused_in_lines_or_sound(tmp_path):
    path = tmp_path / "spoilt.toml"
    refused = 0
    count = times(250)
    for seed in range(count):
        path.write_bytes(spoilt_text(Random(seed)))
        try:
            load(path)
        except ConfigError as error:
            refused += 1
            for line in error.problems:
                assert line.isprintable() and ": " in line, f"seed {seed}: {line!r}"
                assert len(line) < LINE_MAX, f"seed {seed}: {line!r}"
    assert count // 2 < refused < count


def test_what_is_taken_as_a_description_can_be_checked_planned_and_run(tmp_path, call):
    """Whatever its values are, they are refused or worked with; and what it delivers is true."""
    path = tmp_path / "other.toml"
    taken = 0
    for seed in range(times(40)):
        written = other_values(Random(seed))
        try:
            most = convert(written, path).settings.request_quantity_max
        except ConfigError:
            continue
        taken += 1
        path.write_text(tomlkit.dumps(written))
        assert call("check", path)[0] == 0, f"seed {seed}"
        assert call("plan", path, "--pockets", 2)[0] == 0, f"seed {seed}"
        _, _, errors = call("dispense", path, "--quantity", min(most, 5), "--json")
        assert "must never happen" not in errors, f"seed {seed}"
    assert taken > 15


@pytest.mark.parametrize("pockets", [2, 3])
def test_a_wheel_of_few_pockets_is_fed_and_delivers(pockets, tmp_path, call):
    text = Path(NUT).read_text().replace("pockets = 7 ", f"pockets = {pockets} ")
    (tmp_path / "few.toml").write_text(text)
    status, output, _ = call("dispense", tmp_path / "few.toml", "--quantity", 12)
    assert (status, output.partition(":")[0]) == (0, "exact")


def test_a_mouth_as_wide_as_the_pitch_feeds(tmp_path, call):
    text = Path(NUT).read_text().replace("mouth_pockets = 0.7", "mouth_pockets = 1.0")
    (tmp_path / "wide.toml").write_text(text)
    status, output, _ = call("dispense", tmp_path / "wide.toml", "--quantity", 12)
    assert (status, output.partition(":")[0]) == (0, "exact")


def test_a_drop_that_may_be_none_is_refused(tmp_path, call):
    text = Path(NUT).read_text().replace("drop_tolerance_mm = 0.5", "drop_tolerance_mm = 20")
    (tmp_path / "drop.toml").write_text(text)
    status, _, errors = call("check", tmp_path / "drop.toml")
    assert status == 1
    assert "beam.drop_tolerance_mm = 20 mm: allowed 0 to 19.8 mm" in errors


def test_a_module_that_is_wrong_because_its_description_is_unfit_is_told_so(tmp_path, call):
    """Parts thrown at 1 m/s are there before the windows of a firmware that expects 20 mm/s."""
    text = Path(NUT).read_text().replace("start_mm_s = 20.0", "start_mm_s = 1000.0")
    (tmp_path / "fast.toml").write_text(text.replace("longest_mm = 8.69", "longest_mm = 3.6"))
    _, _, errors = call("dispense", tmp_path / "fast.toml", "--quantity", 7)
    assert "the module is wrong" in errors
    assert "its description is known to be unfit (the briefest pulse of a part" in errors


def test_a_description_with_a_mark_of_its_editor_is_read(tmp_path):
    text = Path(NUT).read_bytes()
    path = tmp_path / "marked.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text.replace(b"\n", b"\r\n"))
    assert load(path).values == load(NUT).values


# ---- files that are written --------------------------------------------------------------------


def test_a_trace_is_written_over_a_trace_only(call, tmp_path):
    path = tmp_path / "bag.csv"
    assert call(*ORDER, 2, "--trace", path)[0] == 0
    assert call(*ORDER, 3, "--trace", path)[0] == 0
    assert "open,1,3" in path.read_text()
    path.write_text("notes\n")
    assert call(*ORDER, 2, "--trace", path)[0] == 1
    assert path.read_text() == "notes\n"


def test_a_report_is_written_over_a_report_only(call, tmp_path):
    notes = tmp_path / "notes.html"
    notes.write_text("notes\n")
    options = ("--record", tmp_path / "bringup.json", "--report", notes)
    status, output, errors = call("bringup", "nowhere", "--config", NUT, *options)
    assert (status, output) == (1, "")
    assert "exists and is no report" in errors


def test_what_is_broken_off_while_it_is_written_leaves_the_old_file(tmp_path):
    path = tmp_path / "page.txt"
    path.write_text("old")
    with pytest.raises(KeyboardInterrupt), replacing(path) as new:
        new.write_text("ne")
        raise KeyboardInterrupt
    assert path.read_text() == "old"
    with replacing(path) as new:
        new.write_text("new")
    assert path.read_text() == "new"
    assert list(tmp_path.iterdir()) == [path]


def test_the_file_that_was_asked_for_is_named_whatever_was_in_the_way(tmp_path, call, monkeypatch):
    with pytest.raises(OSError) as told, replacing(tmp_path / "none" / "page") as new:
        new.write_text("new")
    assert told.value.filename == str(tmp_path / "none" / "page")

    def no_link(source, link, *_):
        raise PermissionError(errno.EACCES, "Permission denied", str(source), None, str(link))

    def no_pipe(_):
        raise PermissionError(errno.EACCES, "Permission denied")

    for option, way, denied in (("--port", "symlink", no_link), ("--hands", "mkfifo", no_pipe)):
        monkeypatch.setattr(os, way, denied)
        path = tmp_path / way
        status, output, errors = call("serve", NUT, option, path)
        assert (status, output) == (1, "")
        assert errors == f"tallywheel serve: cannot write {path}: {WHY}\n"


def test_a_link_still_leads_to_the_file_that_is_replaced(tmp_path):
    file, link = tmp_path / "file", tmp_path / "link"
    file.write_text("old")
    link.symlink_to(file)
    with replacing(link) as new:
        new.write_text("new")
    assert link.is_symlink()
    assert file.read_text() == "new"


def test_a_device_is_written_to_and_not_replaced():
    with replacing(Path(os.devnull)) as new:
        new.write_text("gone")
        assert new == Path(os.devnull)
    assert not Path(os.devnull).is_file()


# ---- the process -------------------------------------------------------------------------------


@pytest.mark.parametrize("closed", [(1,), (2,), (0, 1, 2)], ids=str)
def test_closed_streams_trouble_nobody(closed):
    command = [sys.executable, "-m", "hostsim.cli", "part", "ISO 4032 M4"]

    def close():
        for number in closed:
            os.close(number)

    done = subprocess.run(command, preexec_fn=close, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert (b"ISO 4032" in done.stdout) == (1 not in closed)


def test_a_full_standard_output_is_told_as_such():
    command = [sys.executable, "-m", "hostsim.cli", "part", "ISO 4032 M4"]
    with open("/dev/full", "w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, check=False)
    assert done.returncode == 1
    why = "cannot write standard output: No space left on device"
    assert done.stderr.decode().startswith(f"tallywheel part: {why}")


def test_somebody_is_at_home_for_ctrl_c_before_the_long_imports(monkeypatch):
    """Half a second of imports, in which somebody sees that an argument is wrong."""
    listing = "import hostsim.cli, sys; print({'numpy', 'hostsim.verbs'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", listing], capture_output=True, check=True)
    assert done.stdout.split() == [b"set()"]

    def interrupted():
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "build_parser", interrupted)
    assert main(["check", NUT]) == 128 + signal.SIGINT
