"""The figures of `check` against sums done by hand, and warnings whose own advice removes them."""

import copy
import json
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hostsim import figures
from hostsim.config import convert, load
from hostsim.config_keys import ROWS
from tests.controller.motion.test_reach import optimal_us
from tests.hostsim.described import described

CONFIGS = Path(__file__).parents[2] / "configs"
NUT = tomllib.loads((CONFIGS / "m4_nut.toml").read_text())


def check(*changes):
    """Return the report of the nut module after some changes: (section, key, value)."""
    written = copy.deepcopy(NUT)
    for section, key, value in changes:
        written[section][key] = value
    return figures.check(convert(written, Path("changed.toml")))


@pytest.fixture(scope="module", params=sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.stem)
def shipped(request):
    return figures.check(load(request.param))


def test_the_shipped_modules_raise_no_warning_and_run_at_about_ten_a_second(shipped):
    assert shipped.warnings == []
    assert shipped.binding.name == "motor velocity"
    assert 9 < shipped.facts.cruise_rate < 11


def test_the_pockets_of_a_turn_add_up(shipped):
    facts = shipped.facts
    assert sum(facts.rounding) == facts.steps_per_pocket * len(facts.rounding)
    assert facts.rounding_error_steps <= 0.5
    assert max(facts.rounding) - min(facts.rounding) <= 1


def test_the_nut_by_hand():
    facts = check().facts
    # 200 x 16 x 51/17 / 7
    assert str(facts.steps_per_pocket) == "9600/7"
    # 5 MHz / 13856 steps/s is 360.85 ticks; 361 whole ones are 13850.4 steps/s.
    assert facts.cruise_steps_s == pytest.approx(5e6 / 361)
    assert facts.cruise_rate == pytest.approx(5e6 / 361 * 7 / 9600)
    assert facts.motor_rev_min == pytest.approx(60 * 5e6 / 361 / 3200)
    # 200,000 pieces at 10.1 a second
    assert facts.life_h == pytest.approx(200_000 / 10.0993 / 3600, rel=1e-4)
    # sin 65 - 0.25 cos 65 = 0.8007 of g: a nut slides 8.69 mm in 47.05 ms, the slowest in 49.40;
    # a pocket is open for 0.7 of its time.
    assert facts.refill_rate == pytest.approx(0.7 / 0.04940, rel=1e-3)
    assert facts.full_step_deg == pytest.approx(0.6)


@pytest.mark.parametrize("pockets", [1, 25, 100])
def test_runs_take_the_time_optimal_duration(pockets):
    facts = check().facts
    optimum_s = optimal_us(round(pockets * 9600 / 7), 13_856, 256_000, 12_800_000) / 1e6
    assert optimum_s <= facts.runs_s[pockets] <= optimum_s * 1.001
    assert facts.runs_s[pockets] <= facts.settled_s[pockets] < facts.runs_s[pockets] + 0.05


CASES = [
    # What is wrong with the nut module, what the warning says, and what it says to do.
    ([("limits", "velocity_rev_s", 6.0)], "two parts may meet", "limits.velocity_rev_s"),
    (
        [("limits", "velocity_rev_s", 6.3), ("beam", "drop_mm", 9.0)],
        "before a part has slid in",
        "limits.velocity_rev_s",
    ),
    ([("sprocket", "release_deg", 25.714)], "index edge lies 0.00 deg", "sprocket.release_deg"),
    ([("limits", "start_stop_rev_s", 4.0)], "without a ramp", "limits.start_stop_rev_s"),
    (
        [("limits", "velocity_rev_s", 1.0)],
        "so slow that a part",
        "limits.velocity_rev_s",
    ),
    ([("sprocket", "dwell_deg", 2.0)], "parts hold for only", "sprocket.dwell_deg"),
    (
        [("limits", "acceleration_rev_s2", 9_000.0), ("limits", "jerk_rev_s3", 0)],
        "pull-out torque is",
        "limits.acceleration_rev_s2",
    ),
    (
        [
            ("limits", "velocity_rev_s", 9.0),
            ("motor", "supply_v", 5.0),
            ("gear", "friction_n_m", 0.15),
        ],
        "pull-out torque is",
        "limits.velocity_rev_s",
    ),
    (
        [("gear", "friction_n_m", 0.4)],
        "pull-out torque is",
        "motor.holding_torque_n_m",
    ),
    ([("gear", "module_mm", 1.15)], "series of ISO 54", "gear.module_mm"),
    ([("sprocket", "lash_deg", 0.05)], "less than gears like these", "sprocket.lash_deg"),
    ([("magazine", "incline_deg", 12.0)], "don't slide", "magazine.incline_deg"),
    ([("motor", "current_a", 2.5)], "printed mount", "motor.duty"),
    ([("sprocket", "scatter_deg", 8.0)], "reaches into the rest zone", "sprocket.dwell_deg"),
    ([("beam", "shortest_ms", 6.0)], "taken for a disturbance", "beam.shortest_ms"),
    ([("beam", "longest_ms", 9.0)], "taken for two", "beam.longest_ms"),
    ([("beam", "merge_ms", 2.0)], "the gap between two", "beam.merge_ms"),
    ([("beam", "early_ms", 63.0)], "before their window opens", "beam.early_ms"),
    ([("beam", "late_ms", 63.0)], "window has shut", "beam.late_ms"),
]


@pytest.mark.parametrize(("changes", "said", "key"), CASES, ids=[case[1] for case in CASES])
def test_doing_what_a_warning_says_removes_it(changes, said, key):
    (warning,) = [line for line in check(*changes).warnings if said in line]
    advised = re.search(rf"{re.escape(key)} (?:to|of) ([\d.]+)(?: or|$)", warning)
    assert advised
    fixed = check(*changes, (*key.split("."), float(advised[1])))
    assert not [line for line in fixed.warnings if said in line]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ([("beam", "test_output", False)], "beam.test_output"),
        ([("motor", "full_steps_per_rev", 180)], "200 (1.8 degrees)"),  # common practice
        ([("beam", "drop_mm", 200.0)], "late part may be taken for its neighbour's"),
        ([("sprocket", "rated_pieces", 500_000)], "sprocket.rated_pieces is 500,000"),
        (
            [("recovery", "ladder", [{"move": "reverse", "pockets": 0.02}])],
            "recovery.ladder[0] turns back 1.03 deg",
        ),
        ([("recovery", "ladder", [{"move": "rest", "seconds": 1.0}])], "every jam waits"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_wrong_is_warned_of(changes, said):
    assert any(said in line for line in check(*changes).warnings)


def test_nobody_is_told_to_run_at_no_speed_where_parts_do_not_slide():
    warned = check(("magazine", "incline_deg", 10.0)).warnings
    assert any("don't slide" in line for line in warned)
    assert not any("limits.velocity_rev_s to 0.00" in line for line in warned)


def test_the_lowest_limit_binds():
    slow = check(("beam", "drop_mm", 60.0), ("limits", "velocity_rev_s", 6.0))
    assert slow.binding.name == "separation at the beam"
    assert slow.binding.pockets_per_s == pytest.approx(slow.facts.separation_rate)


def test_a_module_without_index_sensor_is_told_what_that_means(shipped):
    has_index = "screw" not in shipped.title
    assert any("Without a pocket index" in line for line in shipped.notes) != has_index


def test_the_report_reads_as_text_and_as_json(shipped):
    text = shipped.render()
    told = json.loads(shipped.to_json())
    assert told["binding"] in text
    for group, rows in told["groups"].items():
        assert group in text
        for figure in rows:
            assert figure["name"] in text
            assert figure["value"] in text
    assert told["facts"]["steps_per_pocket"] == str(shipped.facts.steps_per_pocket)
    warned = check(("beam", "test_output", False)).render()
    assert warned.splitlines()[2].startswith("warning: ")


DROP_OFF_MOST_MM = 19.0  # the drop itself is 20 mm, and the edge stays above the beam
HOST_ONLY = [row for row in ROWS if row.default is not None and row.kind in (int, float)]


@st.composite
def host_only_values(draw):
    """Values anywhere in the ranges of some keys that the firmware doesn't know, ends included."""
    written = {}
    for row in draw(st.lists(st.sampled_from(HOST_ONLY), min_size=1, max_size=12, unique=True)):
        span = st.integers if row.kind is int else st.floats
        high = DROP_OFF_MOST_MM if row.name == "drop_tolerance_mm" else row.high
        value = st.sampled_from(row.choices) if row.choices else span(row.low, high)
        value = value | st.just(0) if row.or_zero else value
        written.setdefault(row.section, {})[row.name] = draw(value)
    return written


@pytest.mark.filterwarnings("error")
@settings(max_examples=40, deadline=None)
@given(host_only_values(), st.sampled_from(["none", "bolts", "pins"]))
def test_whatever_is_allowed_has_figures_in_text_and_in_json(written, located_by):
    written.setdefault("joint", {})["located_by"] = located_by
    report = figures.check(described(**written))
    assert report.render()
    told = json.loads(report.to_json(), parse_constant=pytest.fail)  # neither NaN nor Infinity
    assert (told["joint"] is None) == (located_by == "none")
    assert all(told[key] for key in ("facts", "drive", "sensing", "service", "spares"))
