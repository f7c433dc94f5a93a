"""Around the wheel on its drawing: section, enlarged pockets, scale bar, title block."""

import math

from hostsim.parts import Part
from hostsim.parts.shapes import Headed
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
from hostsim.sizing.view import BORE_MM, CHAIN, DEGREE, PART, View, slot
from hostsim.sizing.wheel import CLEARANCE_MM, LEAN_DEG

BLOCK_MM = 61.0  # height of the title block
BAR_MM = 100
DETAIL_MM = (76.0, 26.0)  # room for the enlarged pockets, across and deep
DETAIL_SCALES = (5, 4, 3, 2)
SHANK_MM = 16.0  # shown of a long one
STANCE_MM = 48.0  # below the section's title
FAINT_INK = "#57606a"
STANDS = ("On edge, with the release edge lowest:", "parts fall from it past the beam.")
FLAT = ("Its back is at the motor's side.",)
HANGING = (
    f"Leaned back by {LEAN_DEG:g}\N{DEGREE SIGN}, so that heads rest on it.",
    "Gears and motor are at the heads' side:",
    "shanks sweep the other.",
)
CAUTION = (
    "Caution: run only with the guard shut; its switch must cut the drive in hardware. Isolate the",
    "supply before reaching in. The firmware is no safety function. Local codes apply.",
)


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
        draw_head(sheet, wheel.part, Point(middle, top))
        draw_shank(sheet, envelope.slot_mm, envelope.below_mm, Point(middle, top))
    else:
        lies = Point(middle - envelope.across_mm / 2, top + seat - envelope.above_mm)
        sheet.rectangle(lies, envelope.across_mm, envelope.above_mm, fill=PART)
    beyond = axis_x + wheel.guide_radius_mm + 5
    sheet.dimension(Point(axis_x, top), Point(axis_x, top + thick), f"{thick:.2f}", -5)
    if thick > seat:
        sheet.dimension(
            Point(rim_x, top), Point(rim_x, top + seat), f"{seat:.2f} seat", beyond - rim_x
        )


def draw_shank(sheet: Sheet, across_mm: float, long_mm: float, top: Point) -> None:
    """What hangs below the head; of a long one the beginning, broken off, with its length."""
    half = across_mm / 2
    cut = long_mm > SHANK_MM
    end = SHANK_MM if cut else long_mm
    # A long break as ISO 128 draws it: a zigzag.
    zigzag = ((-half, 0.0), (-half / 3, 0.0), (0.0, -1.2), (half / 6, 1.2), (half / 2, 0.0))
    corners = [(-half, -end), *(zigzag if cut else ((-half, 0.0),)), (half, 0.0), (half, -end)]
    points = [top.moved(right, end + down) for right, down in corners]
    sheet.path([move_to(points[0]), *map(line_to, points[1:]), "Z"], "shank", fill=PART)
    if cut:
        sheet.text(top.moved(0, end + 4.5), f"{long_mm:g} below the head", SMALL_MM, "middle")


def draw_stance(view: View, corner: Point) -> None:
    """How the wheel stands when it runs, in words."""
    hangs = bool(view.wheel.part.envelope.slot_mm)
    view.sheet.text(corner, "how it stands", SMALL_MM)
    for row, line in enumerate((*STANDS, *(HANGING if hangs else FLAT)), 1):
        view.sheet.text(corner.moved(0, 4 * row), line, SMALL_MM, fill=FAINT_INK)


def draw_head(sheet: Sheet, part: Part, below: Point) -> None:
    """The head of a hanging part from the side; `below` is the middle of where it rests."""
    envelope = part.envelope
    head, shank, rise = envelope.across_mm / 2, envelope.slot_mm / 2, envelope.above_mm
    form = part.shape.form if isinstance(part.shape, Headed) else ""
    base = shank if form == "cone" else head
    steps = [move_to(below.moved(-base, 0))]
    if form == "dome":
        sphere = (head**2 + rise**2) / (2 * rise)
        steps.append(arc_to(below.moved(head, 0), sphere, clockwise=True))
    else:
        steps += [line_to(below.moved(side * head, -rise)) for side in (-1, 1)]
        steps.append(line_to(below.moved(base, 0)))
    sheet.path([*steps, "Z"], "head", fill=PART)


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
    sheet.dimension(first, second, f"{wheel.chord_mm:.2f}", -reach - 10)
    near, far = first.moved(reach, 0), second.moved(-reach, 0)
    sheet.dimension(near, far, f"{wheel.web_mm:.2f}", -reach - 4)
    bottom = second.polar(90 - half + 180, reach)
    sheet.dimension(axis.polar(90 - half, rim), bottom, f"{depth_mm:.2f}", reach + 7)


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
        sheet.text(at, name, SMALL_MM, fill=FAINT_INK)
        sheet.text(at.moved(32, 0), value, TEXT_MM)
    sheet.line(corner.moved(0, 15.5), corner.moved(width, 15.5))
    sheet.line(corner.moved(0, 45), corner.moved(width, 45))
    for row, line in enumerate(CAUTION):
        sheet.text(corner.moved(4, 51 + 5 * row), line, SMALL_MM)
