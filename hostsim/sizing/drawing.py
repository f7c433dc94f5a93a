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

from hostsim.sizing.design import Design
from hostsim.sizing.details import (
    BAR_MM,
    BLOCK_MM,
    STANCE_MM,
    draw_bar,
    draw_block,
    draw_detail,
    draw_section,
    draw_stance,
)
from hostsim.sizing.sheet import (
    FAINT,
    SMALL_MM,
    THICK_MM,
    Point,
    Sheet,
    arc_to,
    line_to,
    move_to,
)
from hostsim.sizing.view import (
    BORE_MM,
    CHAIN,
    DEGREE,
    DIAMETER,
    DOWN_DEG,
    PART,
    View,
    slot,
)
from hostsim.sizing.wheel import CLEARANCE_MM, SizeError, Wheel

PAPERS = (("A4", 210, 297), ("A3", 297, 420), ("A2", 420, 594), ("A1", 594, 841))  # ISO 216, mm
BORDER_MM = 10.0
BELOW_MM = 82.0  # for section, enlarged pockets and scale bar
AROUND_MM = 28.0  # of the guide, for dimensions
RING_MM = (4.0, 7.5)  # the ring's inner and outer edge outside the guide
FLARE_MM = 4.0  # depth of the funnel from the channel to the gap in the guide
EITHER_WAY = "\N{PLUS-MINUS SIGN}"
DWELL, SPREAD = "#8fc1e3", "#f2b26b"


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
    left = Point(BORDER_MM + 8, top)
    draw_section(view, left)
    draw_stance(view, left.moved(0, STANCE_MM))
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
    mouth = wheel.mouth_pitches * wheel.pitch_deg
    half_deg = wheel.mouth_deg / 2
    begin, end = view.place(mouth - half_deg, radius), view.place(0, radius)
    large = mouth - half_deg > 180
    guide = [move_to(begin), arc_to(end, radius, clockwise=False, large=large)]
    sheet.path(guide, "guide", stroke_width=f"{THICK_MM}")
    draw_channel(view)
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


def draw_channel(view: View) -> None:
    """The end of the magazine's channel, which points at the axis, and the funnel to the gap."""
    wheel, sheet, axis = view.wheel, view.sheet, view.axis
    radius = wheel.guide_radius_mm
    half_mm = (wheel.part.envelope.across_mm + CLEARANCE_MM) / 2
    half_deg = wheel.mouth_deg / 2
    way = DOWN_DEG - wheel.mouth_pitches * wheel.pitch_deg
    reach = radius + RING_MM[1] + 6
    flare = radius * math.cos(math.radians(half_deg)) + FLARE_MM
    for side in (-1, 1):
        wall = axis.polar(way + 90, side * half_mm)
        narrow, lip = wall.polar(way, max(flare, radius)), axis.polar(way + side * half_deg, radius)
        funnel = [move_to(lip), line_to(narrow), line_to(wall.polar(way, reach))]
        sheet.path(funnel, f"mouth-{side}", stroke_width=f"{THICK_MM}")
    # To the left of the channel's end and of the extension line of the wheel's diameter.
    end = axis.polar(way, reach).polar(way + 90, half_mm + 2)
    beside = Point(min(end.x, axis.x - wheel.rim_radius_mm - 1.5), end.y)
    for row, words in enumerate((
        f"mouth, {wheel.mouth_deg:.1f}{DEGREE}",
        f"channel, {wheel.incline_deg:.1f}{DEGREE} to level",
    )):  # fmt: skip
        sheet.text(beside.moved(0, 4 * row), words, SMALL_MM, "end")


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
    above = RING_MM[1] + 6 + 10  # the channel ends below it
    sheet.dimension(left, right, f"{DIAMETER}{2 * wheel.rim_radius_mm:.2f} wheel", radius + above)
    add_pitch(view)
    ring = radius + sum(RING_MM) / 2
    beside = axis.x - radius - 12
    sheet.leader(
        view.place((wheel.mouth_pitches * wheel.pitch_deg - wheel.mouth_deg / 2) / 2, radius),
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
        axis.polar(DOWN_DEG + 130, wheel.pitch_radius_mm),
        Point(axis.x + radius + 12, axis.y - radius - 5),
        f"{DIAMETER}{2 * wheel.pitch_radius_mm:.2f} pitch circle",
    )


def add_pitch(view: View) -> None:
    """The angle between two pockets on the right."""
    wheel, sheet, axis = view.wheel, view.sheet, view.axis
    lower = DOWN_DEG + (max(0, round(90 / wheel.pitch_deg - 1)) + 0.5) * wheel.pitch_deg
    upper = lower + wheel.pitch_deg
    reach = wheel.guide_radius_mm + 8
    for angle in (lower, upper):
        sheet.line(axis, axis.polar(angle, reach + 2), stroke=FAINT, stroke_dasharray=CHAIN)
    first, last = axis.polar(lower, reach), axis.polar(upper, reach)
    sheet.path([move_to(first), arc_to(last, reach, clockwise=False)])
    sheet.arrow(first, lower - 90)
    sheet.arrow(last, upper + 90)
    words = f"{wheel.pitch_deg:.6g}{DEGREE}, {wheel.pockets} times"
    at = axis.polar((lower + upper) / 2, reach + 2)
    # Beyond the extension line of the wheel's diameter, which may come by here.
    beside = max(at.x, axis.x + wheel.rim_radius_mm + 1.5) if upper > 360 else at.x
    sheet.text(Point(beside, at.y), words, SMALL_MM)
