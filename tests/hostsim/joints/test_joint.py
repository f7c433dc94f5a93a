"""Steps at a joint: closed forms, bounds, and the three answers against each other."""

import math

import numpy as np
import pytest

from hostsim.joints import measure
from hostsim.joints.joint import steps_mm
from hostsim.joints.report import warnings
from tests.hostsim.described import described

TRIALS = 100_000


def joint(**keys):
    keys = {"located_by": "pins", "layer_mm": 0.0, "chamfer_mm": 0.0} | keys
    return described(joint=keys)


def section(**keys):
    return joint(**keys).values["joint"]


@pytest.mark.parametrize("step_mm", [0.05, 0.1, 0.2, 0.3])
def test_two_uniform_errors_make_a_triangle(step_mm):
    """P(|x1 + x2| > s) = (1 - s / 2t)^2 for two errors uniform in +-t; the worse of two axes."""
    tolerance = 0.2
    # H7 on m6 leaves at most 4.5 um of play, which is nothing here.
    steps = steps_mm(section(print_tolerance_mm=tolerance), TRIALS)
    one_axis = (1 - step_mm / (2 * tolerance)) ** 2
    either = 1 - (1 - one_axis) ** 2
    assert np.mean(steps > step_mm) == pytest.approx(
        either, abs=4 * math.sqrt(0.25 / TRIALS) + 2e-3
    )


def test_play_alone_is_uniform_over_a_circle():
    """Two bolts with play r each, along one axis: every one has a variance of r^2 / 4."""
    keys = section(located_by="bolts", bolt_mm=4, bolt_holes="fine", print_tolerance_mm=0.0)
    steps = steps_mm(keys, TRIALS)
    # Holes of 4.30 to 4.42 mm: r is 0.15 to 0.21 mm, so the sum of both reaches 0.42 mm.
    assert steps.max() < 0.42
    # E[max(x^2, y^2)] lies between the variance of one axis and the sum of both.
    variance = 2 * np.mean(np.linspace(0.15, 0.21, 1001) ** 2) / 4
    assert variance < np.mean(steps**2) < 2 * variance


@pytest.mark.parametrize(
    "keys",
    [
        {},
        {"pin_holes": "printed"},
        {"located_by": "bolts"},
        {"located_by": "bolts", "bolt_mm": 8, "bolt_holes": "coarse"},
        {"print_tolerance_mm": 0.05, "layer_mm": 0.3},
    ],
    ids=str,
)
def test_the_three_answers_agree(keys):
    found = measure(joint(**keys).values)
    steps = steps_mm(joint(**keys).values["joint"], TRIALS)
    # Nothing is worse than the worst case, and it is not out of reach.
    assert 0.75 * found.worst_mm < steps.max() <= found.worst_mm + 1e-9
    # The root sum square is what is expected: rarely beaten, and not by the whole worst case.
    assert 0.001 < np.mean(steps > found.rss_mm) < 0.3
    assert found.rss_mm < found.nearly_all_mm < found.worst_mm
    bounds = list(found.errors_mm.values())
    assert found.worst_mm == pytest.approx(sum(bounds) + found.lines_mm)
    assert found.rss_mm == pytest.approx(math.hypot(*bounds) + found.lines_mm)


def test_bolts_are_no_locating_features_and_a_pin_is():
    """Common practice, no source; here the play of each, along one axis."""
    bolts = measure(joint(located_by="bolts").values).errors_mm
    pins = measure(joint().values).errors_mm
    assert bolts["bolts, one side"] >= 0.25  # M4 in a medium hole of 4.5 mm
    assert pins["pins"] == pytest.approx(0.0045)  # 8 H7/m6: +9 um of clearance at most


def test_lines_are_a_third_of_the_layer_deep():
    """Common practice, no source."""
    assert measure(joint(layer_mm=0.3).values).lines_mm == pytest.approx(0.1)


def test_the_same_seed_the_same_steps():
    keys = section()
    assert np.array_equal(steps_mm(keys, 100, 3), steps_mm(keys, 100, 3))
    assert not np.array_equal(steps_mm(keys, 100, 3), steps_mm(keys, 100, 4))


def test_a_module_without_a_joint_has_none():
    assert measure(described(joint={"located_by": "none"}).values) is None


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"located_by": "bolts"}, 'joint.located_by to "pins"'),
        ({"pin_holes": "printed"}, 'joint.pin_holes to "reamed"'),
        ({}, "joint.chamfer_mm to"),
    ],
)
def test_a_joint_that_catches_is_warned_of_and_a_chamfer_removes_it(keys, said):
    config = joint(**keys)
    found = measure(config.values)
    (line,) = warnings(config, found)
    assert said in line
    assert found.catching > 0.3
    chamfered = joint(**keys, chamfer_mm=math.ceil(100 * found.worst_mm) / 100)
    assert not list(warnings(chamfered, measure(chamfered.values)))
    assert measure(chamfered.values).catching == 0
