"""The drawing of a wheel: pockets, guide and release edge, 1:1 with dimensions, as SVG.

Theory of operation
-------------------
The wheel is shown at rest, turning counter-clockwise, with the release edge straight below the
axis: so the pockets stand half a pitch on either side of it.  Angles on the wheel are counted from
the release edge against the way it turns, which is the way parts come.  The ring around the guide
shows what the firmware counts on: where a resting pocket may stand and not let go (dwell), and
where pockets do let go (spread).
"""

import math
from pathlib import Path
from typing import NamedTuple

from hostsim.sizing.design import Design
from hostsim.sizing.sheet import (
    FAINT,
    SMALL_MM,
    TEXT_MM,
    THICK_MM,
    Point,
    Sheet,
    arc_to,
    line_to,
    move_to,
)
from hostsim.sizing.wheel import CLEARANCE_MM, SizeError, Wheel

PAPERS = (("A4", 210, 297), ("A3", 297, 420), ("A2", 420, 594), ("A1", 594, 841))  # ISO 216, mm
BORDER_MM = 10.0
BLOCK_MM = 61.0  # height of the title block
BELOW_MM = 82.0  # for section, enlarged pockets and scale bar
AROUND_MM = 28.0  # of the guide, for dimensions
RING_MM = (4.0, 7.5)  # the ring's inner and outer edge outside the guide
BAR_MM = 100
BORE_MM = 5.0
DOWN_DEG = 270.0
CHAIN = "4 1 0.8 1"  # a centre line
DETAIL_MM = (76.0, 26.0)  # room for the enlarged pockets, across and deep
DETAIL_SCALES = (5, 4, 3, 2)
DIAMETER, DEGREE, EITHER_WAY = (
    "\N{LATIN CAPITAL LETTER O WITH STROKE}",
    "\N{DEGREE SIGN}",
    "\N{PLUS-MINUS SIGN}",
)
DWELL, SPREAD, PART = "#8fc1e3", "#f2b26b", "#f2e3c6"
CAUTION = (
    "Caution: run only with the guard shut; its switch must cut the drive in hardware. Isolate the",
    "supply before reaching in. The firmware is no safety function. Local codes apply.",
)


class View(NamedTuple):
    """A wheel on a sheet."""

    sheet: Sheet
    design: Design
    axis: Point

    @property
    def wheel(self) -> Wheel:
        return self.design.wheel

    def place(self, before_deg: float, radius_mm: float) -> Point:
        """A point so many degrees before the release edge."""
        return self.axis.polar(DOWN_DEG - before_deg, radius_mm)


def draw(design: Design, path: Path) -> None:
    """Write the drawing. SizeError if the wheel is too large for any paper."""
    wheel = design.wheel
    name, width, height = paper(wheel)
    part = wheel.part.designation
    sheet = Sheet(width, height, f"{part}, {wheel.pockets} pockets, 1:1, {name}")
    top = height - 5 - BLOCK_MM - BELOW_MM
    view = View(sheet, design, Point(width / 2, (BORDER_MM + top) / 2))
    sheet.rectangle(Point(5, 5), width - 10, height - 10, stroke_width="0.35")
    draw_ring(view)
    draw_wheel(view)
    draw_parts(view)
    draw_guide(view)
    add_dimensions(view)
    draw_section(view, Point(BORDER_MM + 8, top))
    right = width - BORDER_MM - BAR_MM - 4
    draw_detail(view, Point(right, top))
    draw_bar(sheet, Point(right, top + BELOW_MM - 10))
    draw_block(view, name)
    sheet.save(path)


def paper(wheel: Wheel) -> tuple[str, float, float]:
    """The smallest paper that takes the wheel: name, width, height in mm."""
    across = 2 * (wheel.guide_radius_mm + AROUND_MM)
    for name, width, height in PAPERS:
        room = height - BORDER_MM - 5 - BLOCK_MM - BELOW_MM
        if across <= width - 2 * BORDER_MM and across <= room:
            return name, width, height
    raise SizeError(
        f"a wheel with a guide of {2 * wheel.guide_radius_mm:.0f} mm does not go on paper"
        f" {PAPERS[-1][0]} at 1:1: leave --drawing out, or make it smaller"
    )


def draw_wheel(view: View) -> None:
    """The outline of the wheel, its bore, pitch circle and centre lines."""
    wheel, sheet, axis = view.wheel, view.sheet, view.axis
    steps: list[str] = []
    for pocket in range(wheel.pockets):
        at = DOWN_DEG + (pocket + 0.5) * wheel.pitch_deg
        corners = slot(wheel, axis, at)
        steps.append(
            move_to(corners[0])
            if not steps
            else arc_to(corners[0], wheel.rim_radius_mm, clockwise=False)
        )
        steps += [line_to(corners[1]), arc_to(corners[2], wheel.pocket_mm / 2, clockwise=True),
                  line_to(corners[3])]  # fmt: skip
    first = slot(wheel, axis, DOWN_DEG + 0.5 * wheel.pitch_deg)[0]
    steps += [arc_to(first, wheel.rim_radius_mm, clockwise=False), "Z"]
    sheet.path(steps, "wheel", fill="#f6f7f9", stroke_width=f"{THICK_MM}")
    sheet.circle(axis, BORE_MM / 2, "bore", stroke_dasharray="1.2 0.8")
    sheet.circle(axis, wheel.pitch_radius_mm, "pitch-circle", stroke=FAINT, stroke_dasharray=CHAIN)
    reach = wheel.rim_radius_mm + 3
    for turned in (0, 90):
        ends = axis.polar(turned, reach), axis.polar(turned + 180, reach)
        sheet.line(*ends, stroke=FAINT, stroke_dasharray=CHAIN)


def slot(wheel: Wheel, axis: Point, at_deg: float) -> tuple[Point, Point, Point, Point]:
    """The corners of a pocket, counter-clockwise from the rim: wall, round, wall."""
    half = wheel.pocket_mm / 2
    rim = math.sqrt(wheel.rim_radius_mm**2 - half**2)
    outside, inside = axis.polar(at_deg, rim), axis.polar(at_deg, wheel.pitch_radius_mm)
    right, left = at_deg - 90, at_deg + 90
    return (
        outside.polar(right, half),
        inside.polar(right, half),
        inside.polar(left, half),
        outside.polar(left, half),
    )


def draw_parts(view: View) -> None:
    """A part in every pocket between the mouth and the release edge."""
    wheel, sheet = view.wheel, view.sheet
    envelope = wheel.part.envelope
    for place in range(wheel.parts_on_it):
        at = view.place((place + 0.5) * wheel.pitch_deg, wheel.pitch_radius_mm)
        if wheel.part.shape.corners:
            turned = DOWN_DEG - (place + 0.5) * wheel.pitch_deg
            corners = [at.polar(turned + 60 * n, envelope.across_mm / 2) for n in range(6)]
            outline = [move_to(corners[0]), *map(line_to, corners[1:]), "Z"]
            sheet.path(outline, f"part-{place}", fill=PART)
        else:
            sheet.circle(at, envelope.across_mm / 2, f"part-{place}", fill=PART)
        inner = envelope.slot_mm or wheel.part.hole_mm
        style = {"stroke_dasharray": "1.2 0.8"} if envelope.slot_mm else {"fill": "white"}
        sheet.circle(at, inner / 2, **style)


def draw_guide(view: View) -> None:
    """The guide from the mouth to the release edge, the channel of the magazine, the turning."""
    wheel, sheet, axis = view.wheel, view.sheet, view.axis
    radius = wheel.guide_radius_mm
    half_mm = (wheel.part.envelope.across_mm + CLEARANCE_MM) / 2
    mouth = wheel.mouth_pitches * wheel.pitch_deg
    half_deg = math.degrees(math.asin(min(half_mm / radius, 1.0)))
    begin, end = view.place(mouth - half_deg, radius), view.place(0, radius)
    large = mouth - half_deg > 180
    guide = [move_to(begin), arc_to(end, radius, clockwise=False, large=large)]
    sheet.path(guide, "guide", stroke_width=f"{THICK_MM}")
    way = DOWN_DEG - mouth
    reach = radius + RING_MM[1] + 6
    for side in (-1, 1):
        wall = axis.polar(way + 90, side * half_mm)
        near = wall.polar(way, math.sqrt(radius**2 - half_mm**2))
        sheet.line(near, wall.polar(way, reach), stroke_width=f"{THICK_MM}")
    sheet.text(axis.polar(way, reach + 4), "mouth", SMALL_MM, "middle")
    sheet.line(
        end, view.place(0, radius + RING_MM[1] + 9), "release-edge", stroke_width=f"{THICK_MM}"
    )
    drop = view.design.plan.beam.drop_mm
    sheet.text(
        view.place(0, radius + RING_MM[1] + 12.5), f"release edge; beam {drop:g} mm below it",
        SMALL_MM, "middle",
    )  # fmt: skip
    turn = max(wheel.bottom_radius_mm * 0.62, BORE_MM / 2 + 1.2)
    start, stop = axis.polar(35, turn), axis.polar(125, turn)
    sheet.path([move_to(start), arc_to(stop, turn, clockwise=False)], stroke_width="0.3")
    sheet.arrow(stop, 125 + 90 + 8)


def draw_ring(view: View) -> None:
    """Dwell and spread around the release edge, one pitch either way."""
    wheel, plan = view.wheel, view.design.plan
    half = wheel.pitch_deg / 2
    for middle, reach, colour, name in (
        (half, plan.dwell_deg, DWELL, "dwell-before"),
        (-half, plan.dwell_deg, DWELL, "dwell-after"),
        (0.0, wheel.spread_deg, SPREAD, "spread"),
    ):
        inner, outer = (wheel.guide_radius_mm + edge for edge in RING_MM)
        first, last = middle + reach, middle - reach
        view.sheet.path(
            [
                move_to(view.place(first, inner)),
                arc_to(view.place(last, inner), inner, clockwise=False),
                line_to(view.place(last, outer)),
                arc_to(view.place(first, outer), outer, clockwise=True),
                "Z",
            ],
            name,
            fill=colour,
            stroke="none",
        )


def add_dimensions(view: View) -> None:
    """Diameters, pitch angle, and the angles of the ring."""
    wheel, sheet, axis, plan = view.wheel, view.sheet, view.axis, view.design.plan
    radius = wheel.guide_radius_mm
    left, right = axis.moved(-wheel.rim_radius_mm, 0), axis.moved(wheel.rim_radius_mm, 0)
    sheet.dimension(left, right, f"{DIAMETER}{2 * wheel.rim_radius_mm:.2f} wheel", radius + 13)
    add_pitch(view)
    ring = radius + sum(RING_MM) / 2
    beside = axis.x - radius - 12
    sheet.leader(
        view.place(wheel.mouth_pitches * wheel.pitch_deg * 0.5, radius),
        Point(beside, axis.y + radius * 0.5 + 3),
        f"{DIAMETER}{2 * radius:.2f} guide",
    )
    sheet.leader(
        view.place(wheel.pitch_deg / 2, ring),
        Point(beside, axis.y + radius + 7),
        f"dwell {EITHER_WAY}{plan.dwell_deg:g}{DEGREE} of rest",
    )
    sheet.leader(
        view.place(-wheel.spread_deg / 2, ring),
        Point(axis.x + radius + 12, axis.y + radius + 12),
        f"spread {EITHER_WAY}{wheel.spread_deg:.1f}{DEGREE} of release",
    )
    sheet.leader(
        axis.polar(DOWN_DEG + 60, wheel.pitch_radius_mm),
        Point(axis.x + radius + 12, axis.y + radius * 0.6),
        f"{DIAMETER}{2 * wheel.pitch_radius_mm:.2f} pitch circle",
    )


def add_pitch(view: View) -> None:
    """The angle between two pockets on the right."""
    wheel, sheet, axis = view.wheel, view.sheet, view.axis
    lower = DOWN_DEG + (max(0, round(90 / wheel.pitch_deg - 0.5)) + 0.5) * wheel.pitch_deg
    upper = lower + wheel.pitch_deg
    reach = wheel.guide_radius_mm + 8
    for angle in (lower, upper):
        sheet.line(axis, axis.polar(angle, reach + 2), stroke=FAINT, stroke_dasharray=CHAIN)
    first, last = axis.polar(lower, reach), axis.polar(upper, reach)
    sheet.path([move_to(first), arc_to(last, reach, clockwise=False)])
    sheet.arrow(first, lower - 90)
    sheet.arrow(last, upper + 90)
    words = f"{wheel.pitch_deg:.6g}{DEGREE}, {wheel.pockets} times"
    sheet.text(axis.polar((lower + upper) / 2, reach + 2), words, SMALL_MM)


def draw_detail(view: View, corner: Point) -> None:
    """Two pockets and the web between them, enlarged; `corner` is upper left."""
    wheel, sheet = view.wheel, view.sheet
    depth_mm = wheel.rim_radius_mm - wheel.bottom_radius_mm
    scale = next(
        (each for each in DETAIL_SCALES
         if each * (wheel.chord_mm + wheel.pocket_mm) <= DETAIL_MM[0]
         and each * depth_mm <= DETAIL_MM[1]),
        1,
    )  # fmt: skip
    sheet.text(corner, f"pockets and web, {scale}:1", SMALL_MM)
    axis = corner.moved(DETAIL_MM[0] / 2, 13 + scale * wheel.rim_radius_mm)
    half = wheel.pitch_deg / 2
    shapes = [
        [at.scaled(axis, scale) for at in slot(wheel, axis, 90 + side * half)] for side in (-1, 1)
    ]
    rim = scale * wheel.rim_radius_mm
    tooth = math.degrees(math.asin(wheel.pocket_mm / 2 / wheel.rim_radius_mm)) + half
    begin = axis.polar(90 - min(tooth + 5, wheel.pitch_deg), rim)
    end = axis.polar(90 + min(tooth + 5, wheel.pitch_deg), rim)
    steps = [move_to(begin)]
    for corners in shapes:
        steps += [
            arc_to(corners[0], rim, clockwise=False),
            line_to(corners[1]),
            arc_to(corners[2], scale * wheel.pocket_mm / 2, clockwise=True),
            line_to(corners[3]),
        ]
    steps.append(arc_to(end, rim, clockwise=False))
    sheet.path(steps, "detail", stroke_width=f"{THICK_MM}")
    left = shapes[1]
    sheet.dimension(left[3], left[0], f"{wheel.pocket_mm:.2f}", 6)
    first, second = (
        axis.polar(90 + side * half, scale * wheel.pitch_radius_mm) for side in (1, -1)
    )
    reach = scale * wheel.pocket_mm / 2
    sheet.dimension(first, second, f"{wheel.chord_mm:.2f}", -reach - 8)
    near, far = first.moved(reach, 0), second.moved(-reach, 0)
    sheet.dimension(near, far, f"web {wheel.web_mm:.2f}", -reach - 2)
    bottom = second.polar(90 - half + 180, reach)
    sheet.dimension(axis.polar(90 - half, rim), bottom, f"{depth_mm:.2f}", reach + 7)


def draw_section(view: View, corner: Point) -> None:
    """Half a section through a pocket: rim to axis, with a part in it."""
    wheel, sheet = view.wheel, view.sheet
    envelope = wheel.part.envelope
    sheet.text(corner.moved(0, 0), "section through a pocket", SMALL_MM)
    top = corner.y + 9 + (envelope.above_mm if envelope.slot_mm else 0)
    axis_x = corner.x + 4
    bottom_x, rim_x = axis_x + wheel.bottom_radius_mm, axis_x + wheel.rim_radius_mm
    thick, seat = wheel.thickness_mm, wheel.seat_mm
    outline = [(axis_x, 0.0), (bottom_x, 0.0), (bottom_x, seat)]
    outline += [(rim_x, seat), (rim_x, thick)] if thick > seat else []
    outline += [(bottom_x, thick)] if thick <= seat else []
    outline += [(axis_x, thick)]
    points = [Point(x, top + down) for x, down in outline]
    sheet.path([move_to(points[0]), *map(line_to, points[1:]), "Z"], "section", fill="#e8ebef")
    axis_top, axis_end = Point(axis_x, top - 5), Point(axis_x, top + thick + 5)
    sheet.line(axis_top, axis_end, stroke=FAINT, stroke_dasharray=CHAIN)
    middle = axis_x + wheel.pitch_radius_mm
    if envelope.slot_mm:
        head = Point(middle - envelope.across_mm / 2, top - envelope.above_mm)
        sheet.rectangle(head, envelope.across_mm, envelope.above_mm, fill=PART)
        shown = min(envelope.below_mm, 16.0)
        shank = Point(middle - envelope.slot_mm / 2, top)
        sheet.rectangle(shank, envelope.slot_mm, shown, fill=PART)
    else:
        lies = Point(middle - envelope.across_mm / 2, top + seat - envelope.above_mm)
        sheet.rectangle(lies, envelope.across_mm, envelope.above_mm, fill=PART)
    beyond = axis_x + wheel.guide_radius_mm + 5
    sheet.dimension(Point(axis_x, top), Point(axis_x, top + thick), f"{thick:.2f}", -5)
    if thick > seat:
        sheet.dimension(
            Point(rim_x, top), Point(rim_x, top + seat), f"{seat:.2f} seat", beyond - rim_x
        )


def draw_bar(sheet: Sheet, corner: Point) -> None:
    """A bar to check the printer with."""
    for cell in range(BAR_MM // 10):
        at = corner.moved(10 * cell, 0)
        sheet.rectangle(at, 10, 2, fill="#22272e" if cell % 2 == 0 else "white")
        sheet.text(at.moved(0, 5), str(10 * cell), SMALL_MM, "middle")
    sheet.line(corner, corner.moved(BAR_MM, 0), "scale-bar", stroke_width="0.25")
    sheet.text(corner.moved(BAR_MM, 5), f"{BAR_MM} mm", SMALL_MM, "middle")
    sheet.text(
        corner.moved(0, -2), f"On paper this bar measures {BAR_MM} mm, or the printer has scaled.",
        SMALL_MM,
    )  # fmt: skip


def draw_block(view: View, paper_name: str) -> None:
    """The title block, with everything that is no line on the drawing."""
    wheel, sheet, design = view.wheel, view.sheet, view.design
    plan, part = design.plan, wheel.part
    width = sheet.width_mm - 10
    corner = Point(5, sheet.height_mm - 5 - BLOCK_MM)
    sheet.rectangle(corner, width, BLOCK_MM, stroke_width="0.35")
    sheet.text(corner.moved(4, 7), f"Sprocket for {part.designation}", 5.0, font_weight="bold")
    sheet.text(corner.moved(4, 12.5), f"{part.title}, fed {part.envelope.orientation}", TEXT_MM)
    sheet.text(corner.moved(width - 4, 7), "1:1", 5.0, "end", font_weight="bold")
    sheet.text(corner.moved(width - 4, 12.5), f"mm, degrees; {paper_name}", TEXT_MM, "end")
    steps = str(design.steps_per_pocket)
    cells = (
        ("pockets", str(wheel.pockets)),
        ("pitch, straight", f"{wheel.chord_mm:.2f}"),
        ("web", f"{wheel.web_mm:.2f}"),
        ("clearance", f"{CLEARANCE_MM:g}"),
        ("bore", f"{BORE_MM:g}, to suit the shaft"),
        ("gears", f"{design.train.driver}:{design.train.driven}, axes {design.train.centre_mm:g}"),
        ("steps to a pocket", steps),
        ("a step", f"{design.step_mm:.4f}"),
        ("lash", f"{design.train.lash_deg:g}{DEGREE}, estimated"),
        ("parts on it at rest", str(wheel.parts_on_it)),
        ("index edge to release", f"{plan.release_deg:g}{DEGREE}"),
        ("dwell", f"{plan.dwell_deg:g}{DEGREE}"),
        ("drop to the beam", f"{plan.beam.drop_mm:g}"),
        ("rate", f"{design.rate:.1f} parts/s"),
        ("motor", plan.motor.name),
    )
    column = (width - 8) / 3
    for place, (name, value) in enumerate(cells):
        at = corner.moved(4 + place // 5 * column, 20.5 + place % 5 * 5.2)
        sheet.text(at, name, SMALL_MM, fill="#57606a")
        sheet.text(at.moved(32, 0), value, TEXT_MM)
    sheet.line(corner.moved(0, 15.5), corner.moved(width, 15.5))
    sheet.line(corner.moved(0, 45), corner.moved(width, 45))
    for row, line in enumerate(CAUTION):
        sheet.text(corner.moved(4, 51 + 5 * row), line, SMALL_MM)
