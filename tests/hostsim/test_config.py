"""Module descriptions: conversion, defaults, and every refusal in the words of the file."""

import copy
import re
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import keys as core
from hostsim.config import ConfigError, convert, load
from hostsim.config_keys import BY_CORE, ROWS, SECTIONS, STEPS_PER_TURN, Row

CONFIGS = Path(__file__).parents[2] / "configs"
NUT = tomllib.loads((CONFIGS / "m4_nut.toml").read_text())
TURN = 3_200  # 200 full steps x 16 microsteps

NUMBERS = [row for row in ROWS if row.kind in (int, float)]


def refused(change=None, **sections: dict[str, Any]) -> list[str]:
    """Return the problems of the nut's description after `change(written)` or some new values."""
    written = copy.deepcopy(NUT)
    if change:
        change(written)
    for section, content in sections.items():
        written.setdefault(section, {}).update(content)
    try:
        convert(written, Path("changed.toml"))
    except ConfigError as error:
        return error.problems
    return []


def bounds(row: Row) -> tuple[Fraction, Fraction, bool]:
    """Return (low, high, 0 allowed too) in the unit of the file."""
    if not row.core:
        return Fraction(str(row.low)), Fraction(str(row.high)), row.or_zero
    _, kind, _, low, high, _, _ = core.ROW_OF[row.core]
    factor = TURN if row.factor == STEPS_PER_TURN else row.factor
    return Fraction(low, factor), Fraction(high, factor), kind == core.OPTIONAL


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.stem)
def test_the_shipped_descriptions_are_sound_and_say_every_required_key(path):
    config = load(path)
    written = tomllib.loads(path.read_text())
    for row in ROWS:
        value = config.values[row.section][row.name]
        assert type(value) is row.kind or (row.kind is float and type(value) is int)
        if row.name in written.get(row.section, {}):
            assert value == written[row.section][row.name]


def test_values_reach_the_firmware_in_its_units():
    made = load(CONFIGS / "m4_nut.toml").settings
    assert made.motor_microsteps == 16
    assert made.gear_stages == ((17, 51),)
    assert made.limit_velocity_steps_s == 13_856  # 4.33 rev/s x 3200
    assert made.sprocket_dwell_mdeg == 19_000
    assert made.part_longest_um == 8_690
    assert made.part_mass_mg == 800
    assert made.beam_bounce_us == 200
    assert made.sprocket_index == 1
    assert made.recovery_patience_ms == 60_000
    assert made.recovery_ladder[0] == (core.REVERSE, 350_000, 1)
    assert made.recovery_ladder[1] == (core.SHAKE, 200_000, 3)
    assert made.recovery_ladder[3] == (core.REST, 500, 1)


def test_what_is_left_out_is_filled_in_in_the_unit_of_the_file():
    written = copy.deepcopy(NUT)
    del written["recovery"], written["request"], written["line"]
    del written["sprocket"]["rated_pieces"]
    config = convert(written, Path("short.toml"))
    assert config.values["recovery"]["chute_s"] == 2.0
    ladder = config.values["recovery"]["ladder"]
    assert ladder[0] == {"move": "reverse", "pockets": 0.35, "times": 1}
    assert ladder[3] == {"move": "rest", "seconds": 0.5, "times": 1}
    assert config.values["beam"]["late_ms"] == 0.0
    assert config.values["sprocket"]["rated_pieces"] == 200_000  # common practice
    assert config.settings.line_baud == 115_200


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row.default is not None], ids=lambda r: r.key
)
def test_a_default_is_allowed_itself(row):
    assert refused(**{row.section: {row.name: row.default}}) == []


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([[0, 0.3], [10]], "motor.pull_out[1] = [10]: must be two numbers"),
        ([[0, 0.3], 10], "motor.pull_out[1] = 10: must be two numbers"),
        ([[0, 0.3], [10, -0.1]], "motor.pull_out[1] = [10, -0.1] [rev/s, N m]: allowed 0 to 1000"),
        ([[0, 0.3], [5, 0.2], [5, 0.1]], "motor.pull_out[2] = [5, 0.1] [rev/s, N m]: speeds must"),
        ([[0, 0.3]], "motor.pull_out = [[0, 0.3]] [rev/s, N m]: one point is no curve"),
    ],
)
def test_a_curve_that_is_none_is_refused_point_by_point(points, said):
    (line,) = refused(motor={"pull_out": points})
    assert line.startswith(said)


def test_a_word_that_is_no_choice_is_refused_with_those_there_are():
    assert refused(joint={"located_by": "glue"}) == [
        'joint.located_by = "glue": must be one of "none", "bolts", "pins"'
    ]
    assert refused(joint={"bolt_mm": 7}) == [
        "joint.bolt_mm = 7 mm: must be one of 3, 3.5, 4, 5, 6, 8"
    ]


@pytest.mark.parametrize("row", NUMBERS, ids=lambda row: row.key)
@pytest.mark.parametrize("side", ["low", "high"])
def test_beyond_the_range_is_refused_in_the_words_of_the_file(row, side):
    low, high, or_zero = bounds(row)
    step = 1 if row.kind is int else abs(low) / 100 + Fraction(1, 100)
    beyond = low - step if side == "low" else high + step
    value = int(beyond) if row.kind is int else float(beyond)
    lines = [
        line for line in refused(**{row.section: {row.name: value}}) if line.startswith(row.key)
    ]
    assert len(lines) == 1
    pattern = r"(\S+) = (\S+) ?(.*?): allowed (0 or )?([\d.]+) to ([\d.]+) ?(.*)"
    matched = re.fullmatch(pattern, lines[0])
    assert matched, lines[0]
    key, said, unit, zero, least, most, unit_again = matched.groups()
    assert (key, unit, unit_again) == (row.key, row.unit, row.unit)
    assert float(said) == value
    assert bool(zero) == or_zero
    # Rounded inward, to six digits.
    assert low <= Fraction(least) <= low + abs(low) / 10**5
    assert high - high / 10**5 <= Fraction(most) <= high


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.key)
@pytest.mark.parametrize("wrong", ["word", 1.5, True, 7, [1], {"a": 1}, float("nan")], ids=repr)
def test_a_wrong_type_is_refused_with_the_key_and_what_it_must_be(row, wrong):
    good = {float: (int, float), int: (int,), bool: (bool,), str: (str,), list: (list,)}
    if type(wrong) in good[row.kind] and repr(wrong) != "nan":
        return
    lines = [
        line for line in refused(**{row.section: {row.name: wrong}}) if line.startswith(row.key)
    ]
    assert len(lines) == 1
    assert f"{row.key} = " in lines[0]
    assert "must be " in lines[0]
    if row.kind in (int, float):
        assert "allowed " in lines[0]
        assert row.unit in lines[0]


@pytest.mark.parametrize("row", [r for r in ROWS if r.kind is not list], ids=lambda row: row.key)
def test_a_key_left_out_is_missing_unless_it_has_a_default(row):
    def without(written):
        written["sprocket"]["index_sensor"] = False  # else the release angle is needed too
        written.get(row.section, {}).pop(row.name, None)

    lines = refused(without)
    filled_in = row.default if not row.core else core.ROW_OF[row.core][5]
    if filled_in is not None and filled_in is not core.REQUIRED:
        assert lines == []
    else:
        assert len(lines) == 1
        assert lines[0].startswith(f"{row.key}: missing")
        assert row.unit in lines[0].partition(": give ")[2]


@pytest.mark.parametrize(
    ("section", "key", "meant"),
    [
        ("motor", "microstep", "motor.microsteps"),
        ("limits", "velocity_rev_min", "limits.velocity_rev_s"),
        ("beam", "drop", "beam.drop_mm"),
        ("beam", "capacity", "magazine.capacity"),  # right key, wrong section
        ("part", "pitch_radius", "sprocket.pitch_radius_mm"),
        # A unit that is missing or another one.
        ("motor", "supply", "motor.supply_v"),
        ("motor", "inductance_uh", "motor.inductance_mh"),
        ("magazine", "height_cm", "magazine.height_mm"),
        ("joint", "layer_um", "joint.layer_mm"),
        ("scale", "resolution_mg", "scale.resolution_g"),
    ],
)
def test_an_unknown_key_is_refused_with_the_nearest_known_one(section, key, meant):
    lines = refused(**{section: {key: 1}})
    assert lines == [f"{section}.{key}: unknown; the nearest known one is {meant}"]


def test_a_key_that_is_no_word_is_told_in_quotes_on_one_line():
    (line,) = refused(line={"b\na": 1})
    assert line == r'line."b\na": unknown; the nearest known one is line.baud'


def test_an_unknown_section_is_refused_with_the_nearest_known_one():
    assert refused(lambda written: written.update(moter={"microsteps": 16})) == [
        "[moter]: unknown; the nearest known one is [motor]"
    ]
    assert refused(lambda written: written.update(magazine=3))[0] == (
        "magazine = 3: must be a section, [magazine]"
    )


def test_contradictions_are_said_in_the_units_of_the_file():
    assert refused(limits={"creep_rev_s": 1.5}) == [
        "limits.creep_rev_s = 1.5 rev/s: allowed 0.0015625 to 1 rev/s"
        " (creep starts without a ramp, so it is at most the start-stop rate)"
    ]
    assert refused(sprocket={"dwell_deg": 26}) == [
        "sprocket.dwell_deg = 26 deg: allowed 0.001 to 25.713 deg"
        " (the release edge lies half a pitch from rest)"
    ]
    # A window that was derived and is not in the file is said in its unit, too.
    (line,) = refused(beam={"longest_ms": 1.0})
    assert re.match(r"beam.shortest_ms = 2\.\d+ ms: allowed 0 or 0.02 to 0.999 ms", line)


def test_a_ladder_is_refused_rung_by_rung_in_the_words_of_the_file():
    ladder = [
        {"move": "revers", "pockets": 0.3},
        {"move": "reverse", "pocket": 0.3},
        {"move": "reverse", "pockets": 0.5},
        {"move": "rest", "seconds": 100, "times": 0},
        {"move": "rest", "pockets": 0.1},
        7,
    ]
    assert refused(recovery={"ladder": ladder}) == [
        'recovery.ladder[0].move = "revers": must be one of "reverse", "shake", "forward", "rest"',
        'recovery.ladder[1].pocket: unknown; a "reverse" takes move, pockets and times',
        'recovery.ladder[1].pockets: allowed 0.001 to 0.45 pockets (a "reverse" needs a number of'
        " pockets here)",
        'recovery.ladder[4].pockets: unknown; a "rest" takes move, seconds and times',
        'recovery.ladder[4].seconds: allowed 0.001 to 60 s (a "rest" needs a number of s here)',
        'recovery.ladder[5].move: must be one of "reverse", "shake", "forward", "rest"',
        "recovery.ladder[2].pockets = 0.5 pockets: allowed 0.001 to 0.45 pockets",
        "recovery.ladder[3].seconds = 100.0 s: allowed 0.001 to 60 s",
        "recovery.ladder[3].times = 0 times: allowed 1 to 20 times",
    ]
    assert refused(recovery={"ladder": [{"move": "rest", "seconds": 1}] * 17}) != []
    assert refused(recovery={"ladder": []}) == []


def test_everything_wrong_is_said_at_once():
    lines = refused(
        motor={"microsteps": 0, "current_a": 100},
        sprocket={"pockets": "seven"},
        beam={"drop": 3},
        part={"hole_mm": 9},
        gear={"stages": [[17, 51], [3, 40]]},
    )
    about = [line.split(" = ")[0].split(":")[0] for line in lines]
    assert sorted(about) == [
        "beam.drop",
        "gear.stages[1].driver",
        "motor.current_a",
        "motor.microsteps",
        "part.hole_mm",
        "sprocket.pockets",
    ]


@pytest.mark.parametrize(
    "text", [b"[motor\n", b"\xff\xfe", b"a = 1\na = 2\n", b"a = " + b"9" * 5000]
)
def test_what_is_no_toml_is_refused_in_one_line(tmp_path, text):
    path = tmp_path / "bad.toml"
    path.write_bytes(text)
    with pytest.raises(ConfigError) as error:
        load(path)
    assert len(error.value.problems) == 1
    assert error.value.problems[0].startswith("not a TOML file: ")


def test_a_file_that_cannot_be_read_is_left_to_the_caller(tmp_path):
    with pytest.raises(OSError, match="nowhere"):
        load(tmp_path / "nowhere.toml")


def test_the_smallest_number_is_not_taken_for_nothing():
    # 0 would mean "no hole"; a tenth of a micrometre is a mistake, not 0.
    assert refused(part={"hole_mm": 0.0001}) == [
        "part.hole_mm = 0.0001 mm: allowed 0 or 0.1 to 200 mm"
    ]


def test_the_table_covers_every_firmware_key():
    assert set(BY_CORE) == set(core.NAMES)
    assert [row.section for row in ROWS] == sorted(
        [row.section for row in ROWS], key=SECTIONS.index
    )


def test_the_guide_names_every_key_that_may_be_left_out_and_no_section_that_may_not():
    guide = (CONFIGS / "README.md").read_text()
    told = " ".join(guide[guide.index("Keys that may be left out") :].split("\n\n")[0].split())
    whole = set(re.findall(r"(?<!in )`\[(\w+)\]`", told))
    for section in SECTIONS:
        rows = [row for row in ROWS if row.section == section and row.core]
        free = [row for row in rows if core.ROW_OF[row.core][5] is not core.REQUIRED]
        assert (section in whole) == (bool(free) and free == rows), section
        if section not in whole:
            for row in free:
                assert f"`{row.key}`" in told or f"`{row.name}`" in told, row.key


TOML = st.recursive(
    st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner),
    max_leaves=5,
)


@settings(max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(ROWS), TOML), min_size=1, max_size=6), TOML)
def test_whatever_a_file_holds_it_is_refused_in_lines_or_sound(changes, section):
    written = copy.deepcopy(NUT)
    for row, value in changes:
        written.setdefault(row.section, {})[row.name] = value
    written["line"] = section
    try:
        config = convert(written, Path("any.toml"))
    except ConfigError as error:
        assert error.problems
        assert all("\n" not in line and ": " in line for line in error.problems)
    else:
        assert config.settings.to_json()
