"""Gears against published examples; each source stands beside its value."""

import math

import numpy as np
import pytest

from hostsim.drivetrain import gears
from hostsim.drivetrain.gears import Pair


def test_the_path_of_contact_of_a_published_example():
    """z 20/60, m 8, 20 degrees: 39.458 mm (mcqs.tasdia.com, question 20005)."""
    pair = Pair(20, 60, 8.0)
    assert pair.path_mm == pytest.approx(39.458, abs=0.001)
    assert pair.contact_ratio == pytest.approx(1.6708, abs=1e-4)  # computed from that path


@pytest.mark.parametrize(
    ("driver", "driven", "module_mm", "ratio"),
    [
        (12, 24, 3.0, 1.511),  # a standard pair of textbooks, from memory, and computed
        (19, 42, 6.0, 1.6333),  # computed, as are the next
        (20, 40, 1.0, 1.6352),
        (15, 60, 1.0, 1.6331),
        (12, 60, 1.0, 1.6025),
        (20, 20, 1.0, 1.5568),
        (17, 51, 1.0, 1.6364),
    ],
)
def test_contact_ratios(driver, driven, module_mm, ratio):
    assert Pair(driver, driven, module_mm).contact_ratio == pytest.approx(ratio, abs=5e-4)


def test_the_diameters_of_a_standard_pair():
    """m 3, z 12/24: a 54, d 36/72, db 33.829/67.658, da 42/78, df 28.5/64.5 (memory, computed)."""
    assert Pair(12, 24, 3.0).centres_mm == 54.0
    assert [gears.pitch_mm(z, 3.0) for z in (12, 24)] == [36.0, 72.0]
    assert [gears.base_mm(z, 3.0) for z in (12, 24)] == pytest.approx([33.829, 67.658], abs=1e-3)
    assert [gears.tip_mm(z, 3.0) for z in (12, 24)] == [42.0, 78.0]
    assert [gears.root_mm(z, 3.0) for z in (12, 24)] == [28.5, 64.5]


def test_the_path_is_where_two_involutes_touch():
    """Found by hand: points of the line of action that both tip circles contain."""
    pair = Pair(17, 51, 1.0)
    along = np.linspace(-10, 10, 400_001)  # from the pitch point, along the line of action
    point = along * np.exp(1j * (math.pi / 2 - gears.PRESSURE_RAD))  # centres on the real axis
    inside = np.abs(point + 17 / 2) <= 19 / 2
    inside &= np.abs(point - 51 / 2) <= 53 / 2
    assert np.ptp(along[inside]) == pytest.approx(pair.path_mm, abs=2e-4)


def test_the_series_of_iso_54():
    """Both series from 1 to 50 mm (gearprofile.app names ISO 54; thegeargenerator.xyz)."""
    first = [1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 16, 20, 25, 32, 40, 50]
    second = [1.125, 1.375, 1.75, 2.25, 2.75, 3.5, 4.5, 5.5, 7, 9, 11, 14, 18, 22, 28, 36, 45]
    assert {gears.series(module) for module in first} == {"ISO 54, I"}
    assert {gears.series(module) for module in second} == {"ISO 54, II"}
    assert gears.series(0.5) == "DIN 780"
    assert gears.series(1.15) == gears.series(0.55) == ""
    assert gears.nearest_module_mm(1.15) == 1.25
    assert gears.nearest_module_mm(0.52) == 0.5


def test_undercut_begins_at_seventeen_teeth():
    """2 / sin^2(20 degrees) = 17.10 (textbooks, from memory, and computed)."""
    assert gears.undercut_shift(17) == gears.undercut_shift(40) == 0
    assert gears.undercut_shift(16) > 0
    # The shift that lifts the tool's tip line to the point where the involute begins.
    for teeth in (8, 12, 16):
        touching = teeth / 2 * math.sin(gears.PRESSURE_RAD) ** 2
        assert gears.undercut_shift(teeth) == pytest.approx(1 - touching)


@pytest.mark.parametrize(
    ("module_mm", "centres_mm", "table_mm"),
    [
        # ISO/TR 10064-2, the table from memory; its formula rounded up to 0.01 gives the same.
        (1.5, 50, 0.09),
        (1.5, 100, 0.11),
        (2, 50, 0.10),
        (2, 100, 0.12),
        (2, 200, 0.15),
        (3, 50, 0.12),
        (3, 100, 0.14),
        (5, 200, 0.21),
        (8, 400, 0.34),
    ],
)
def test_the_least_backlash(module_mm, centres_mm, table_mm):
    teeth = round(2 * centres_mm / module_mm)
    pair = Pair(teeth // 2, teeth - teeth // 2, module_mm)
    assert math.ceil(100 * pair.backlash_mm) / 100 == pytest.approx(table_mm)


def test_lash_of_the_first_stage_is_geared_down_by_the_second():
    one = gears.least_lash_deg(gears.pairs([[17, 51]], 1.0))
    # 0.0713 mm between flanks, j_bn in the TR, on a base radius of 25.5 mm cos 20 degrees
    assert one == pytest.approx(math.degrees(0.07133 / (25.5 * 0.93969)), rel=1e-3)
    two = gears.least_lash_deg(gears.pairs([[17, 51], [17, 51]], 1.0))
    assert two == pytest.approx(one * (1 + 1 / 3))


def test_axes_line_up_if_the_teeth_add_up():
    assert gears.centres_agree(gears.pairs([[19, 38], [20, 37]], 1.0))
    assert not gears.centres_agree(gears.pairs([[19, 38], [20, 40]], 1.0))
