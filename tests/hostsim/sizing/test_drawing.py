"""The drawing, read back: its scale, its lines and its dimensions against the wheel."""

import math
import re
import xml.etree.ElementTree as ET
from itertools import combinations

import numpy as np
import pytest
import shapely
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from shapely import LineString, Polygon
from shapely.affinity import rotate, translate

from hostsim.parts import find_part
from hostsim.sizing.drawing import draw, paper
from hostsim.sizing.wheel import SizeError, Wheel
from tests.hostsim.sizing.rig import PARTS, found

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(params=PARTS)
def drawn(request, tmp_path):
    """A design and its drawing."""
    design = found(request.param).best
    draw(design, tmp_path / "wheel.svg")
    return design, ET.parse(tmp_path / "wheel.svg").getroot()


def by_name(root, name):
    return next(each for each in root.iter() if each.get("id") == name)


def numbers(text):
    return [float(each) for each in re.findall(r"-?\d+\.?\d*(?:e-?\d+)?", text)]


def test_a_unit_of_the_drawing_is_a_millimetre_on_paper(drawn):
    _, root = drawn
    width, height = root.get("width"), root.get("height")
    assert width.endswith("mm") and height.endswith("mm")
    assert numbers(root.get("viewBox")) == [0, 0, *numbers(width), *numbers(height)]
    # ISO 216
    assert (numbers(width)[0], numbers(height)[0]) in ((210, 297), (297, 420), (420, 594))
    bar = by_name(root, "scale-bar")
    assert float(bar.get("x2")) - float(bar.get("x1")) == pytest.approx(100)


def test_the_lines_are_the_wheel(drawn):
    design, root = drawn
    wheel = design.wheel
    circle = by_name(root, "pitch-circle")
    assert float(circle.get("r")) == pytest.approx(wheel.pitch_radius_mm, abs=1e-3)
    axis = float(circle.get("cx")), float(circle.get("cy"))
    steps = re.findall(r"([MLA]) ([^MLAZ]*)", by_name(root, "wheel").get("d"))
    rounds = [numbers(rest) for kind, rest in steps if kind == "A"]
    slots = [each for each in rounds if each[0] == pytest.approx(wheel.pocket_mm / 2, abs=1e-3)]
    assert len(slots) == wheel.pockets
    corners = [tuple(numbers(rest)[-2:]) for _, rest in steps]
    reach = [math.dist(axis, corner) for corner in corners]
    assert max(reach) == pytest.approx(wheel.rim_radius_mm, abs=0.01)
    web = by_name(root, "release-edge")
    assert float(web.get("x1")) == pytest.approx(axis[0])
    assert float(web.get("y1")) - axis[1] == pytest.approx(wheel.guide_radius_mm, abs=0.01)


def corners(path):
    """The points along an SVG path of lines and arcs shorter than half a turn."""
    points = []
    for kind, rest in re.findall(r"([MLA]) ([^MLAZ]*)", path):
        values = numbers(rest)
        end = np.array(values[-2:])
        if kind == "A":
            start, radius, sweep = points[-1], values[0], values[4]
            half = (end - start) / 2
            rise = math.sqrt(max(radius**2 - half @ half, 0.0))
            # The centre lies on the right of the way where an arc runs clockwise on paper.
            normal = np.array([-half[1], half[0]]) / np.hypot(*half)
            middle = start + half + (normal if sweep else -normal) * rise
            first = math.atan2(*(start - middle)[::-1])
            turn = math.atan2(*(end - middle)[::-1]) - first
            turn = turn % (2 * math.pi) if sweep else turn % (2 * math.pi) - 2 * math.pi
            along = first + turn * np.linspace(0, 1, 60)[1:]
            points += list(middle + radius * np.array([np.cos(along), np.sin(along)]).T)
        else:
            points.append(end)
    return points


def outline(path):
    """The polygon that such a path means."""
    return Polygon(corners(path))


def test_the_outline_is_the_wheel_that_another_library_makes(drawn):
    """Slots cut out of a disc (shapely), against the path that is drawn."""
    design, root = drawn
    wheel = design.wheel
    circle = by_name(root, "pitch-circle")
    axis = float(circle.get("cx")), float(circle.get("cy"))
    cut = shapely.Point(0, 0).buffer(wheel.rim_radius_mm, quad_segs=128)
    out = 2 * wheel.rim_radius_mm
    slot = LineString([(wheel.pitch_radius_mm, 0), (out, 0)]).buffer(
        wheel.pocket_mm / 2, quad_segs=64
    )
    for pocket in range(wheel.pockets):
        # At rest the release edge, straight below, lies midway between two pockets.
        turned = 90 + (pocket + 0.5) * 360 / wheel.pockets
        cut = cut.difference(rotate(slot, turned, origin=(0, 0)))
    drawn_wheel = outline(by_name(root, "wheel").get("d"))
    apart = drawn_wheel.symmetric_difference(translate(cut, *axis)).area
    assert apart < 5e-3 * cut.area  # half rounds are given to a micrometre and drawn from chords


def test_parts_stand_at_rest_half_a_pitch_from_the_release_edge(drawn):
    design, root = drawn
    wheel = design.wheel
    circle = by_name(root, "pitch-circle")
    axis = float(circle.get("cx")), float(circle.get("cy"))
    part = by_name(root, "part-0")
    if part.get("d"):  # a hexagon: the mean of its corners
        corners = [numbers(each) for each in re.findall(r"[ML] ([^MLZ]*)", part.get("d"))]
        middle = [sum(values) / len(corners) for values in zip(*corners, strict=True)]
    else:
        middle = [float(part.get("cx")), float(part.get("cy"))]
    before = math.degrees(math.atan2(axis[0] - middle[0], middle[1] - axis[1]))
    assert before == pytest.approx(wheel.pitch_deg / 2, abs=0.05)
    assert math.dist(axis, middle) == pytest.approx(wheel.pitch_radius_mm, abs=0.01)


def test_nothing_leaves_the_paper_and_no_dimension_is_missing(drawn):
    design, root = drawn
    wheel = design.wheel
    width, height = numbers(root.get("viewBox"))[2:]
    for each in root.iter():
        for key, most in (("x", width), ("y", height), ("cx", width), ("cy", height)):
            if each.get(key):
                assert 0 <= float(each.get(key)) <= most
    words = " | ".join(each.text for each in root.iter(f"{SVG}text"))
    for value in (
        f"{2 * wheel.rim_radius_mm:.2f} wheel",
        f"{2 * wheel.pitch_radius_mm:.2f} pitch circle",
        f"{2 * wheel.guide_radius_mm:.2f} guide",
        f"{wheel.web_mm:.2f}",
        f"{wheel.pocket_mm:.2f}",
        f"{wheel.chord_mm:.2f}",
        f"{wheel.pockets} times",
        wheel.part.designation,
        "1:1",
        "guard",
        "Isolate",
        f"beam {design.plan.beam.drop_mm:g} mm",
    ):
        assert value in words


def lines_of(root):
    """Every line that is drawn, as (what, shapely line)."""
    for each in root.iter():
        kind = each.tag.removeprefix(SVG)
        if kind == "line":
            yield (
                each,
                LineString([[float(each.get(key + n)) for key in ("x", "y")] for n in ("1", "2")]),
            )
        elif kind == "circle":
            at = shapely.Point(float(each.get("cx")), float(each.get("cy")))
            yield each, at.buffer(float(each.get("r"))).exterior
        elif kind == "path" and len(points := corners(each.get("d"))) > 1:
            yield each, LineString(points)


def room_of(text):
    """The rectangle that a line of text takes, by the font's own outlines."""
    size = float(text.get("font-size"))
    weight = text.get("font-weight", "normal")
    font = FontProperties(family="DejaVu Sans", size=size, weight=weight)
    (left, low), (right, high) = TextPath((0, 0), text.text, prop=font).get_extents().get_points()
    shift = {"start": 0.0, "middle": -(left + right) / 2, "end": -right}[text.get("text-anchor")]
    room = shapely.box(left + shift, -high, right + shift, -low)
    turned = numbers(text.get("transform", "rotate(0"))[0]
    at = float(text.get("x")), float(text.get("y"))
    return translate(rotate(room, turned, origin=(0, 0)), *at)


ANY = {
    "one": ("ISO 4032 M5",),
    "three pockets": ("ISO 4032 M4", None, (3, 3)),
    "four pockets": ("ISO 4032 M4", None, (4, 4)),
    "nine pockets": ("ISO 4032 M8", None, (9, 9)),
    "sixteen pockets": ("ISO 7089 M3", None, (16, 16)),
    "thin": ("ISO 7089 M2.5",),
    "small screw": ("ISO 4762 M2.5x4",),
    "long screw": ("ISO 10642 M10x100",),
    "large ring": ("ring outer=40mm hole=20mm height=3mm",),
}


@pytest.mark.parametrize("name", ANY)
def test_no_line_runs_through_a_word_and_no_word_into_another(name, tmp_path):
    draw(found(*ANY[name]).best, tmp_path / "wheel.svg")
    root = ET.parse(tmp_path / "wheel.svg").getroot()
    texts = [each for each in root.iter(f"{SVG}text") if each.text != "0"]
    rooms = [room_of(each) for each in texts]
    lines = list(lines_of(root))
    for text, room in zip(texts, rooms, strict=True):
        through = [ET.tostring(each) for each, line in lines if line.intersects(room)]
        assert not through, text.text
    for (one, room), (other, beside) in combinations(zip(texts, rooms, strict=True), 2):
        assert not room.intersects(beside), (one.text, other.text)


def test_the_channel_slopes_as_the_description_says_and_points_at_the_axis(drawn):
    design, root = drawn
    circle = by_name(root, "pitch-circle")
    axis = np.array([float(circle.get("cx")), float(circle.get("cy"))])
    walls = [np.array(corners(by_name(root, f"mouth-{side}").get("d"))) for side in (-1, 1)]
    right, down = np.mean([wall[-2] - wall[-1] for wall in walls], axis=0)
    in_plane = math.atan2(down, abs(right))
    hangs = design.wheel.part.envelope.slot_mm > 0
    lean = math.radians(20 if hangs else 0)  # the note on the drawing says so
    slope = math.degrees(math.asin(math.sin(in_plane) * math.cos(lean)))
    assert design.config.values["magazine"]["incline_deg"] == pytest.approx(slope, abs=0.06)
    assert 40 < slope <= 90
    middle = (walls[0][-1] + walls[1][-1]) / 2
    across = np.array([-down, right]) / math.hypot(right, down)
    assert across @ (axis - middle) == pytest.approx(0, abs=1e-3)
    words = " | ".join(each.text for each in root.iter(f"{SVG}text"))
    assert ("Leaned back by 20" in words) == hangs
    assert ("heads' side" in words) == hangs


def test_a_long_shank_is_broken_off_and_says_how_long_it_is(tmp_path):
    draw(found("ISO 4762 M4x12").best, tmp_path / "short.svg")
    draw(found("ISO 4762 M4x40").best, tmp_path / "long.svg")
    short, long = (ET.parse(tmp_path / f"{name}.svg").getroot() for name in ("short", "long"))
    (said,) = [each.text for each in long.iter(f"{SVG}text") if "below the head" in each.text]
    assert numbers(said)[0] == pytest.approx(40, abs=1)  # ISO 4762: js17
    assert not [each for each in short.iter(f"{SVG}text") if "below the head" in each.text]
    heights = [
        np.ptp(np.array(corners(by_name(each, "shank").get("d")))[:, 1]) for each in (short, long)
    ]
    assert heights[0] == pytest.approx(12, abs=0.5)
    assert heights[1] < 20


def test_a_larger_wheel_goes_on_larger_paper_and_none_beyond_that():
    part = find_part("ISO 4032 M5")
    assert [paper(Wheel(part, 9, radius))[0] for radius in (15, 60, 100)] == ["A4", "A3", "A2"]
    with pytest.raises(SizeError, match="does not go on paper"):
        paper(Wheel(part, 9, 400))
