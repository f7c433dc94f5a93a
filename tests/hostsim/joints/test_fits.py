"""Holes and pins against the tables of the standards, as far as they could be read."""

import pytest

from hostsim.joints import fits


@pytest.mark.parametrize(
    ("bolt_mm", "holes_mm"),
    [
        # ISO 273, fine, medium, coarse (engineeringhardware.com/?p=50, and bd_warehouse's table)
        (3, (3.2, 3.4, 3.6)),
        (3.5, (3.7, 3.9, 4.2)),
        (4, (4.3, 4.5, 4.8)),
        (5, (5.3, 5.5, 5.8)),
        (6, (6.4, 6.6, 7.0)),
        (8, (8.4, 9.0, 10.0)),
    ],
)
def test_clearance_holes(bolt_mm, holes_mm):
    assert tuple(fits.clearance_hole_mm(bolt_mm, series)[0] for series in fits.SERIES) == holes_mm


@pytest.mark.parametrize(
    ("size_mm", "hole_um", "pin_um"),
    [
        # ISO 286-2, H7 and m6 (the packages pressfit and isofits)
        (3, (0, 10), (2, 8)),
        (4, (0, 12), (4, 12)),
        (5, (0, 12), (4, 12)),
        (6, (0, 12), (4, 12)),  # "over 3 up to and including 6"
        (8, (0, 15), (6, 15)),
        (10, (0, 15), (6, 15)),
    ],
)
def test_limits_of_reamed_holes_and_pins(size_mm, hole_um, pin_um):
    hole, pin = fits.reamed_hole_mm(size_mm), fits.pin_limits_mm(size_mm)
    assert [1e3 * (limit - size_mm) for limit in hole] == pytest.approx(hole_um)
    assert [1e3 * (limit - size_mm) for limit in pin] == pytest.approx(pin_um)


@pytest.mark.parametrize(("size_mm", "tightest", "loosest"), [(8, -15, 9), (6, -12, 8)])
def test_the_fit_of_a_pin(size_mm, tightest, loosest):
    """8 H7/m6: -15 to +9 um of clearance; 6 H7/m6: -12 to +8 (pressfit, isofits)."""
    hole, pin = fits.reamed_hole_mm(size_mm), fits.pin_limits_mm(size_mm)
    assert 1e3 * (hole[0] - pin[1]) == pytest.approx(tightest)
    assert 1e3 * (hole[1] - pin[0]) == pytest.approx(loosest)


def test_grades_are_about_sixteen_tenths_apart_and_grow_with_size():
    """Grades from IT5 on follow a series of preferred numbers, 10^(1/5) from one to the next."""
    for medium, fine in ((fits.WIDTHS["coarse"], fits.WIDTHS["medium"]),
                         (fits.WIDTHS["medium"], fits.WIDTHS["fine"])):  # fmt: skip
        for wide, narrow in zip(medium, fine, strict=True):
            assert wide / narrow == pytest.approx(10**0.2, rel=0.15)
    assert all(list(widths) == sorted(widths) for widths in fits.WIDTHS.values())


def test_beyond_the_tables_is_refused():
    with pytest.raises(ValueError, match="12 mm is above 10 mm"):
        fits.reamed_hole_mm(12)
    with pytest.raises(KeyError):
        fits.clearance_hole_mm(7, "fine")
