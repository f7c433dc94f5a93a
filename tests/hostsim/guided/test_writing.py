"""Writing back: comments and order stay, what was there before is told, nothing wrong gets in."""

import tomllib

import pytest

from hostsim.config import ConfigError
from hostsim.guided.writing import Change, edited
from tests.hostsim.guided.rig import NUT

TEXT = NUT.path.read_text()
DROP = Change("beam", "drop_mm", 20.0, 23.5, "from the mean fall")
EARLY = Change("beam", "early_ms", None, 55.2, "tolerance limit of the delay")


def comments(text):
    return [line.partition("#")[2].strip() for line in text.splitlines() if "#" in line]


def test_only_the_lines_that_change_change_and_all_comments_stay():
    new = edited(TEXT, [DROP, EARLY], "2026-11-26")
    old_lines, new_lines = TEXT.splitlines(), new.splitlines()
    assert [line for line in new_lines if line not in old_lines] == [
        "drop_mm = 23.5  # measured 2026-11-26, was 20.0; from the release edge down to the beam",
        "early_ms = 55.2  # measured 2026-11-26, was derived; tolerance limit of the delay",
    ]
    assert len(new_lines) == len(old_lines) + 1
    for comment in comments(TEXT):
        assert any(comment in kept for kept in comments(new)), comment


def test_a_new_key_stands_in_its_section():
    beam = tomllib.loads(edited(TEXT, [EARLY], "2026-11-26"))["beam"]
    assert beam["early_ms"] == 55.2
    assert beam["test_output"] is True


def test_a_value_measured_twice_tells_both_times():
    once = edited(TEXT, [DROP], "2026-11-26")
    twice = edited(once, [Change("beam", "drop_mm", 23.5, 23.1, "")], "2027-02-01")
    line = next(line for line in twice.splitlines() if line.startswith("drop_mm"))
    assert "measured 2027-02-01, was 23.5; measured 2026-11-26, was 20.0;" in line


def test_gear_stages_are_written_as_teeth():
    new = edited(TEXT, [Change("gear", "stages", [[17, 51]], [[17, 52]], "")], "2026-11-26")
    assert tomllib.loads(new)["gear"]["stages"] == [[17, 52]]
    assert "was [[17, 51]]" in new


def test_what_the_firmware_would_refuse_is_not_written():
    with pytest.raises(ConfigError, match="early"):
        edited(TEXT, [Change("beam", "early_ms", None, 900.0, "")], "2026-11-26")
