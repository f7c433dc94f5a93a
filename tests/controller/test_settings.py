"""The settings table: every key's range and type, the relations, and that nothing gets past it."""

import json
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller import checks
from controller.counting.windows import Windows
from controller.keys import CHOICE, INTEGER, LADDER, NAMES, OPTIONAL, ROWS, TEXT, check
from controller.motion.profile import Planner
from controller.settings import Settings, SettingsError, from_json
from tests.portable.module import NUT, values

NUMBERS = [row for row in ROWS if row[1] in (INTEGER, OPTIONAL)]


def about(key: str, **changes: Any) -> list[str]:
    """Return what is said about one key after some changes to a sound table."""
    return [str(p) for p in check(values(**changes)) if p.key == key]


@pytest.mark.parametrize("row", NUMBERS, ids=lambda row: row[0])
@pytest.mark.parametrize("side", ["low", "high"])
def test_one_beyond_the_range_is_refused_with_key_value_unit_and_range(row, side):
    key, kind, unit, low, high, _, _ = row
    value = low - 1 if side == "low" else high + 1
    if value == 0 and kind == OPTIONAL:
        value = -1
    (line,) = about(key, **{key: value})
    assert line.startswith(f"{key} = {value} {unit}".rstrip() + ": allowed ")
    assert f"{low} to {high} {unit}".rstrip() in line
    assert ("allowed 0 or" in line) == (kind == OPTIONAL)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
@pytest.mark.parametrize("wrong", [None, True, 1.5, "seven", {"a": 1}, [[1]]], ids=repr)
def test_a_wrong_type_is_refused_with_key_and_value(row, wrong):
    key, kind = row[0], row[1]
    if kind == TEXT and isinstance(wrong, str):
        wrong = 7
    table = values()
    table[key] = wrong
    lines = [str(p) for p in check(table) if p.key.startswith(key)]
    assert lines
    assert all(line.startswith(key) for line in lines)
    if wrong is not None and kind != LADDER and not isinstance(wrong, list):
        assert str(wrong) in lines[0]
        assert str(row[3]) in lines[0] or str(row[4]) in lines[0] or kind not in (INTEGER, OPTIONAL)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
def test_a_key_left_out_takes_its_default_or_is_said_to_be_missing(row):
    key, default = row[0], row[5]
    table = values(sprocket_index=0)  # with an index sensor the release angle must be given too
    table.pop(key, None)
    if default is None:
        assert [p.key for p in check(table)] == [key]
        assert "missing" in str(check(table)[0])
    else:
        assert Settings(table).get(key) == default


def test_the_attributes_are_the_keys_of_the_table():
    assert tuple(Settings.__annotations__) == NAMES
    for row in ROWS:
        annotated = Settings.__annotations__[row[0]]
        assert (annotated is str) == (row[1] in (TEXT, CHOICE))
        assert (annotated is int) == (row[1] in (INTEGER, OPTIONAL))


@pytest.mark.parametrize(
    ("changes", "key", "said"),
    [
        ({"limit_start_stop_steps_s": 13_857}, "limit_start_stop_steps_s", "5 to 13856"),
        ({"limit_creep_steps_s": 3_201}, "limit_creep_steps_s", "5 to 3200"),
        ({"limit_velocity_steps_s": 3_199}, "limit_start_stop_steps_s", "5 to 3199"),
        # A ramp to 300,000 steps/s at 200 steps/s^2 would take 25 minutes.
        (
            {"limit_velocity_steps_s": 300_000, "limit_acceleration_steps_s2": 200},
            "limit_velocity_steps_s",
            "longer ramp",
        ),
        # Half a pitch of 7 pockets is 25.714 degrees.
        ({"sprocket_dwell_mdeg": 25_714}, "sprocket_dwell_mdeg", "1 to 25713"),
        ({"sprocket_lash_mdeg": 12_858}, "sprocket_lash_mdeg", "0 to 12857"),
        ({"sprocket_release_mdeg": 0}, "sprocket_release_mdeg", "1 to 51428"),
        ({"sprocket_release_mdeg": 51_429}, "sprocket_release_mdeg", "1 to 51428"),
        # Seven parts 2.9 mm wide on a circle need a radius of 3.231 mm.
        ({"sprocket_pitch_radius_um": 3_230}, "sprocket_pitch_radius_um", "3231 to"),
        ({"part_shortest_um": 8_691}, "part_shortest_um", "100 to 8690"),
        ({"part_hole_um": 8_690}, "part_hole_um", "0 or 100 to 8689"),
        ({"beam_drop_um": 8_689}, "beam_drop_um", "8690 to"),
        ({"magazine_low": 251}, "magazine_low", "0 to 250"),
        ({"request_quantity_max": 5, "wires_quantity": 6}, "wires_quantity", "0 to 5"),
        # 20 full steps on 3 to 1: 60 steps a turn, at least 20 to a pocket.
        (
            {"motor_full_steps": 20, "motor_microsteps": 1},
            "sprocket_pockets",
            "2 to 3 pockets",
        ),
        ({"beam_merge_us": 150}, "beam_merge_us", "201 to"),  # no longer than the chatter
        ({"beam_merge_us": 99_000}, "beam_merge_us", "to 98977"),  # a pocket takes 98.978 ms
        ({"beam_shortest_us": 9_000, "beam_longest_us": 8_000}, "beam_shortest_us", "20 to 7999"),
        ({"beam_stuck_us": 10_000}, "beam_stuck_us", "17"),
    ],
)
def test_keys_that_contradict_each_other_are_refused(changes, key, said):
    lines = about(key, **changes)
    assert len(lines) == 1
    assert f"{key} = " in lines[0]
    assert said in lines[0]
    assert "(" in lines[0]  # and it says why


@pytest.mark.parametrize(
    ("wrong", "meant"),
    [
        ("motor_microstep", "motor_microsteps"),
        ("sprocket_pokets", "sprocket_pockets"),
        ("limit_velocity", "limit_velocity_steps_s"),
        ("line_speed", "line_baud"),
    ],
)
def test_an_unknown_key_is_refused_with_the_nearest_known_one(wrong, meant):
    (problem,) = check(values(**{wrong: 1}))
    assert str(problem) == f"{wrong} = 1: unknown key; the nearest known one is {meant}"


def test_the_edit_distance_of_textbook_words():
    # Kitten and sitting is the textbook example of Levenshtein's distance (from memory).
    assert checks.edit_distance("kitten", "sitting") == 3
    assert checks.edit_distance("saturday", "sunday") == 3
    assert checks.edit_distance("", "abc") == 3


@given(st.text("abc", max_size=6), st.text("abc", max_size=6), st.text("abc", max_size=6))
def test_the_edit_distance_is_a_metric(a, b, c):
    distance = checks.edit_distance
    assert (distance(a, b) == 0) == (a == b)
    assert distance(a, b) == distance(b, a)
    assert distance(a, c) <= distance(a, b) + distance(b, c)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=2)
    ),
    max_leaves=4,
)


@settings(max_examples=60)
@given(st.dictionaries(st.sampled_from(NAMES) | st.text(max_size=12), JSON, max_size=8))
def test_whatever_a_table_holds_it_is_refused_politely_or_sound(changes):
    table = {**NUT, **changes}
    problems = check(table)
    assert all(str(problem) for problem in problems)
    if problems:
        with pytest.raises(SettingsError) as refused:
            Settings(table)
        assert [str(p) for p in refused.value.problems] == [str(p) for p in problems]
    else:
        made = Settings(table)
        assert from_json(made.to_json()).as_dict() == made.as_dict()


def anywhere(key: str) -> st.SearchStrategy[int]:
    """Numbers of a key's range, as many small ones as large ones."""
    row = next(row for row in ROWS if row[0] == key)
    exponents = st.integers(0, row[4].bit_length())
    return exponents.flatmap(lambda e: st.integers(row[3], min(row[4], max(row[3], 1 << e))))


@settings(max_examples=50, deadline=None)
@given(
    anywhere("limit_velocity_steps_s"),
    anywhere("limit_acceleration_steps_s2"),
    st.just(0) | anywhere("limit_jerk_steps_s3"),
)
def test_limits_that_pass_can_be_planned(velocity, acceleration, jerk):
    table = values(
        limit_velocity_steps_s=velocity,
        limit_acceleration_steps_s2=acceleration,
        limit_jerk_steps_s3=jerk,
        limit_start_stop_steps_s=5,
        limit_creep_steps_s=5,
    )
    assume(not any(p.key.startswith("limit_") for p in check(table)))
    planner = Planner(velocity, acceleration, jerk)
    assert planner.move(1, 1).steps == 1
    assert planner.move(2 * planner.ramp_steps + 10, -1).steps == 2 * planner.ramp_steps + 10


@given(st.data())
def test_settings_that_pass_give_windows_in_order(data):
    longest = data.draw(st.integers(1_000, 100_000), "longest")
    table = values(
        sprocket_pitch_radius_um=200_000,
        part_longest_um=longest,
        part_shortest_um=data.draw(st.integers(longest // 10, longest), "shortest"),
        part_hole_um=data.draw(st.just(0) | st.integers(100, longest // 2), "hole"),
        beam_drop_um=data.draw(st.integers(longest, 10 * longest), "drop"),
        sprocket_dwell_mdeg=data.draw(st.integers(1, 25_713), "dwell"),
    )
    assume(not check(table))
    w = Windows(Settings(table))
    assert 0 < w.early_us < w.fall_us < w.late_us
    assert w.creep_early_us <= w.early_us
    assert w.creep_late_us >= w.late_us
    assert 0 < w.shortest_us < w.longest_us < w.stuck_us
    assert table["beam_bounce_us"] < w.merge_us < w.cruise_us


def test_the_refusal_carries_all_lines():
    with pytest.raises(SettingsError) as refused:
        Settings(values(name="", line_baud=1))
    assert str(refused.value).count("\n") == 1
    assert json.loads(Settings(NUT).to_json())["line_baud"] == 115_200
