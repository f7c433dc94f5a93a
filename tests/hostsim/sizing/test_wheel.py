"""The wheel, measured as polygons by an independent library (shapely)."""

import math
from itertools import pairwise

import pytest
from shapely import LineString, Point, Polygon
from shapely.affinity import rotate

from hostsim.parts import find_part
from hostsim.sizing import SizeError, Wanted, search
from hostsim.sizing.search import wheels
from hostsim.sizing.train import MOTOR, MOTORS, Motor
from hostsim.sizing.wheel import (
    CLEARANCE_MM,
    HUB_MM,
    WEB_MM,
    Wheel,
    least_radius_mm,
    seat_mm,
)

NAMES = ("ISO 4032 M3", "ISO 4032 M8", "ISO 7089 M5", "ISO 4762 M4x12", "ISO 10642 M6x20")
ROUND = 64  # segments of a quarter circle; a radius is then good to 2 in 10,000


def slots(wheel):
    """The pockets as polygons: a slot from the pitch circle out past the rim, round inside."""
    out = 2 * wheel.rim_radius_mm
    straight = LineString([(wheel.pitch_radius_mm, 0), (out, 0)])
    slot = straight.buffer(wheel.pocket_mm / 2, quad_segs=ROUND)
    return [rotate(slot, k * 360 / wheel.pockets, origin=(0, 0)) for k in range(wheel.pockets)]


def printed(wheel):
    """What is printed of it, seen from above."""
    body = Point(0, 0).buffer(wheel.rim_radius_mm, quad_segs=ROUND)
    for slot in slots(wheel):
        body = body.difference(slot)
    return body


def outlines(wheel):
    """The parts in their pockets, as they lie or hang, heads included."""
    radius, across = wheel.pitch_radius_mm, wheel.part.envelope.across_mm / 2
    middles = [
        (radius * math.cos(turn), radius * math.sin(turn))
        for turn in (2 * math.pi * k / wheel.pockets for k in range(wheel.pockets))
    ]
    return [Point(middle).buffer(across, quad_segs=ROUND) for middle in middles]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("pockets", [3, 5, 8, 13, 30])
def test_the_smallest_wheel_has_the_web_that_printing_needs(name, pockets):
    part = find_part(name)
    wheel = Wheel(part, pockets, least_radius_mm(part, pockets))
    rows = slots(wheel)
    web = min(a.distance(b) for a, b in pairwise([*rows, rows[0]]))
    assert web == pytest.approx(wheel.web_mm, abs=0.01)
    assert web >= WEB_MM - 0.01
    body = printed(wheel)
    assert isinstance(body, Polygon)  # one piece, all teeth on it
    hub = Point(0, 0).buffer(HUB_MM - 0.01, quad_segs=ROUND)
    assert body.contains(hub)
    # No smaller wheel would do: web, heads or hub are at their least.
    smaller = Wheel(part, pockets, 0.98 * wheel.pitch_radius_mm)
    heads = smaller.chord_mm - part.envelope.across_mm
    tight = smaller.web_mm < WEB_MM or heads < CLEARANCE_MM or smaller.bottom_radius_mm < HUB_MM
    assert tight


@pytest.mark.parametrize("name", NAMES)
def test_parts_do_not_touch_and_stay_in_the_guide(name):
    part = find_part(name)
    for pockets in (4, 9, 16):
        wheel = Wheel(part, pockets, least_radius_mm(part, pockets) + 0.5)
        rows = outlines(wheel)
        apart = min(a.distance(b) for a, b in pairwise([*rows, rows[0]]))
        assert apart >= CLEARANCE_MM - 0.01
        guide = Point(0, 0).buffer(wheel.guide_radius_mm, quad_segs=ROUND)
        assert all(guide.contains(outline) for outline in rows)
        assert guide.contains(printed(wheel))
        # The seat holds a part past its middle: more than half of it lies inside the rim.
        rim = Point(0, 0).buffer(wheel.rim_radius_mm, quad_segs=ROUND)
        assert rows[0].intersection(rim).area > 0.5 * rows[0].area


@pytest.mark.parametrize("name", ["ISO 4032 M5", "ISO 7089 M3", "ISO 4762 M4x12"])
@pytest.mark.parametrize("width", [45, 60, 90])
def test_every_wheel_fits_the_width(name, width):
    part = find_part(name)
    wanted = Wanted(part, MOTORS[MOTOR], (5, 16), width_mm=width)
    for pockets in range(5, 17):
        for wheel in wheels(wanted, pockets):
            guide = Point(0, 0).buffer(wheel.guide_radius_mm, quad_segs=ROUND)
            left, _, right, _ = guide.bounds
            assert right - left + 2 * 3.0 <= width  # a wall of 3 mm on either side
            assert wheel.pitch_radius_mm >= least_radius_mm(part, pockets)


@pytest.mark.parametrize("name", ["ISO 4032 M5", "ISO 7089 M2.5", "ISO 7089 M8"])
def test_a_seat_takes_the_thickest_part_and_never_two_of_the_thinnest(name):
    part = find_part(name)
    height = part.shape.height
    assert height.most < seat_mm(part) < 2 * height.least


@pytest.mark.parametrize("name", ["ISO 4032 M5", "ISO 4762 M4x12"])
def test_with_any_number_of_pockets_the_channel_is_steep_enough_to_slide_down(name):
    """Twice the angle of friction of steel on a printed channel, and more (mu 0.25, no source)."""
    part = find_part(name)
    for pockets in range(3, 61):
        wheel = Wheel(part, pockets, least_radius_mm(part, pockets))
        assert 2 * math.degrees(math.atan(0.25)) < wheel.incline_deg <= 90
        before = wheel.mouth_pitches * wheel.pitch_deg  # the mouth, before the release edge
        assert 130 < before <= 180  # in the upper half, on the side that goes down


@pytest.mark.parametrize("name", NAMES)
def test_the_mouth_opens_a_pocket_for_its_share_and_takes_no_two_parts_abreast(name):
    """A part that is straight above the middle of its pocket must clear both lips of the gap."""
    part = find_part(name)
    across = part.envelope.across_mm
    for pockets in (4, 9, 16):
        wheel = Wheel(part, pockets, least_radius_mm(part, pockets) + 1.0)
        assert 0.2 < wheel.mouth_pockets <= 0.7
        radius, half = wheel.pitch_radius_mm, math.radians(wheel.mouth_deg / 2)
        turned = math.radians(wheel.mouth_pockets * wheel.pitch_deg / 2)
        lip = LineString([(0, 0), (3 * radius * math.cos(half), 3 * radius * math.sin(half))])
        at_the_end = Point(radius * math.cos(turned), radius * math.sin(turned))
        assert at_the_end.distance(lip) == pytest.approx(across / 2, abs=0.01)
        gap = 2 * radius * half  # along the pitch circle
        assert across < gap < 2 * across + 0.1 * across


def test_the_dwell_and_the_spread_fill_half_a_pitch():
    wheel = Wheel(find_part("ISO 4032 M4"), 7, 12.5)
    # 1.5 mm of travel seen from 12.5 mm are 6.88 degrees; half a pitch is 25.71.
    assert wheel.spread_deg == pytest.approx(6.875, abs=0.001)
    assert wheel.dwell_deg(0.8) == pytest.approx(180 / 7 - 6.875 - 0.8, abs=0.001)


@pytest.mark.parametrize(
    ("part", "options", "said"),
    [
        ("ISO 4032 M8", {"width_mm": 44}, "is too narrow for 5 to 16 pockets"),
        ("ISO 4032 M8", {"pitch_radius_mm": 10}, "is too small for 5 to 16 pockets"),
        ("ISO 4762 M4x12", {"rate": 50}, "ask for a --rate of 9.3 or less"),
        ("ISO 4762 M4x12", {"rate": 0.2}, "or more, and have single runs go slower"),
        ("ISO 4032 M5", {"width_mm": 34}, "is less than the motor nema17-40 is wide, 42.3 mm"),
        ("ring outer=9mm hole=4mm height=1mm tolerance=0.4mm", {}, "two thin ones fit"),
        ("ring outer=190mm hole=90mm height=0.16mm tolerance=5um", {}, "too thin"),
    ],
)
def test_what_cannot_be_built_is_refused_with_what_would_help(part, options, said):
    with pytest.raises(SizeError) as refused:
        search(Wanted(find_part(part), MOTORS[MOTOR], **options))
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_width_that_no_gears_fit_is_refused():
    """A motor of unknown size may be narrow, but 17 teeth and 30 are 32 mm over the tips."""
    narrow = Wanted(find_part("ISO 4032 M2.5"), Motor("small", MOTORS[MOTOR].values), width_mm=34.0)
    with pytest.raises(SizeError, match="no gears fit the width"):
        search(narrow)
