"""A sheet to draw on: shapes, text and dimension lines in mm, written as SVG at 1:1.

Theory of operation
-------------------
The view box counts millimetres and width and height say so, hence one unit is a millimetre on
paper wherever the sheet is printed without fitting it to the page.  The y axis runs down, as in
every SVG; angles run counter-clockwise from the right, as on paper.
"""

import math
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import NamedTuple

from hostsim.named import replacing

# Widths of lines and heights of text in mm, near the series of ISO 128 and ISO 3098.
THICK_MM, THIN_MM = 0.5, 0.18
TEXT_MM, SMALL_MM = 3.0, 2.5
ARROW_MM = 2.2
FONT = "DejaVu Sans, Arial, sans-serif"
LETTER = 0.65  # of the height: the width that a letter is allowed for; DejaVu's digits take 0.64
BESIDE_MM = 1.0  # between words and what they stand beside
INK, FAINT = "#22272e", "#8b949e"


class Point(NamedTuple):
    """A place on the sheet, mm from its upper left corner."""

    x: float
    y: float

    def polar(self, angle_deg: float, radius_mm: float) -> "Point":
        """The place so far from here in that direction."""
        angle = math.radians(angle_deg)
        return Point(self.x + radius_mm * math.cos(angle), self.y - radius_mm * math.sin(angle))

    def scaled(self, middle: "Point", scale: float) -> "Point":
        """This place, so many times as far from `middle`."""
        return Point(middle.x + scale * (self.x - middle.x), middle.y + scale * (self.y - middle.y))

    def moved(self, right_mm: float, down_mm: float) -> "Point":
        """The place so far to the right and below."""
        return Point(self.x + right_mm, self.y + down_mm)


class Sheet:
    """An SVG of `width_mm` by `height_mm`."""

    def __init__(self, width_mm: float, height_mm: float, title: str) -> None:
        self.width_mm = width_mm
        self.height_mm = height_mm
        self._root = ET.Element(
            "svg",
            xmlns="http://www.w3.org/2000/svg",
            width=f"{_said(width_mm)}mm",
            height=f"{_said(height_mm)}mm",
            viewBox=f"0 0 {_said(width_mm)} {_said(height_mm)}",
        )
        ET.SubElement(self._root, "title").text = title
        ET.SubElement(
            self._root, "rect", width=_said(width_mm), height=_said(height_mm), fill="white"
        )

    def save(self, path: Path) -> None:
        """Write the sheet."""
        ET.indent(self._root)
        with replacing(path) as new:
            new.write_text(ET.tostring(self._root, encoding="unicode") + "\n", encoding="utf-8")

    def line(self, start: Point, end: Point, name: str = "", **style: str) -> None:
        """A straight line."""
        ends = {"x1": start.x, "y1": start.y, "x2": end.x, "y2": end.y}
        self._add("line", name, {key: _said(value) for key, value in ends.items()}, style)

    def circle(self, middle: Point, radius_mm: float, name: str = "", **style: str) -> None:
        """A circle."""
        at = {"cx": _said(middle.x), "cy": _said(middle.y), "r": _said(radius_mm)}
        self._add("circle", name, at, {"fill": "none", **style})

    def rectangle(
        self, corner: Point, width_mm: float, height_mm: float, name: str = "", **style: str
    ) -> None:
        """A rectangle, by its upper left corner."""
        size = {"width": _said(width_mm), "height": _said(height_mm)}
        at = {"x": _said(corner.x), "y": _said(corner.y), **size}
        self._add("rect", name, at, {"fill": "none", **style})

    def path(self, steps: list[str], name: str = "", **style: str) -> None:
        """A path of SVG path commands, such as made by `move_to`, `line_to`, `arc_to`."""
        self._add("path", name, {"d": " ".join(steps)}, {"fill": "none", **style})

    def text(
        self,
        at: Point,
        words: str,
        size_mm: float = TEXT_MM,
        anchor: str = "start",
        turned_deg: float = 0.0,
        **style: str,
    ) -> None:
        """One line of text; `anchor` is start, middle or end; turned counter-clockwise."""
        element = ET.SubElement(
            self._root, "text", x=_said(at.x), y=_said(at.y), fill=style.pop("fill", INK)
        )
        element.set("font-family", FONT)
        element.set("font-size", _said(size_mm))
        element.set("text-anchor", anchor)
        if turned_deg:
            element.set("transform", f"rotate({_said(-turned_deg)} {_said(at.x)} {_said(at.y)})")
        for key, value in style.items():
            element.set(key.replace("_", "-"), value)
        element.text = words

    def dimension(self, start: Point, end: Point, words: str, shift_mm: float) -> None:
        """A dimension between two points, its line `shift_mm` to the left of the way there.

        Words that don't fit between the two extension lines stand beyond the second arrow, where
        nothing crosses them (ISO 129-1 has both).
        """
        way = math.degrees(math.atan2(start.y - end.y, end.x - start.x))
        from_, to = start.polar(way + 90, shift_mm), end.polar(way + 90, shift_mm)
        side = math.copysign(1.0, shift_mm)
        for body, tip in ((start, from_), (end, to)):
            self.line(body.polar(way + 90, side), tip.polar(way + 90, 1.5 * side), stroke=FAINT)
        length, wide = math.dist(start, end), width_mm(words, SMALL_MM)
        inside = length > 3 * ARROW_MM
        fits = wide + BESIDE_MM < length
        before, beyond = (0.0, 0.0) if inside else (2 * ARROW_MM, 2 * ARROW_MM)
        if not fits:
            beyond = 2 * ARROW_MM + wide
        self.line(from_.polar(way + 180, before), to.polar(way, beyond))
        self.arrow(from_, way + (180 if inside else 0))
        self.arrow(to, way + (0 if inside else 180))
        at = from_.polar(way, length / 2 if fits else length + beyond - wide / 2)
        upright = 90 - (90 - way) % 180  # reads from below or from the right
        self.text(at.polar(upright + 90, BESIDE_MM), words, SMALL_MM, "middle", upright)

    def leader(self, tip: Point, bend: Point, words: str) -> None:
        """A remark with an arrow to what it is about; the words go on from the bend."""
        right = bend.x >= tip.x
        end = bend.moved(4 if right else -4, 0)
        way = math.degrees(math.atan2(bend.y - tip.y, tip.x - bend.x))
        self.line(bend, tip)
        self.line(bend, end)
        self.arrow(tip, way)
        at = end.moved(1 if right else -1, 0.9)
        self.text(at, words, SMALL_MM, "start" if right else "end")

    def arrow(self, tip: Point, way_deg: float) -> None:
        """A slim arrow head that points in a direction."""
        left = tip.polar(way_deg + 180 - 9, ARROW_MM)
        right = tip.polar(way_deg + 180 + 9, ARROW_MM)
        self.path([move_to(tip), line_to(left), line_to(right), "Z"], fill=INK, stroke="none")

    def _add(self, kind: str, name: str, where: dict[str, str], style: dict[str, str]) -> None:
        element = ET.SubElement(self._root, kind, where)
        if name:
            element.set("id", name)
        looks = {"stroke": INK, "stroke_width": _said(THIN_MM), **style}
        for key, value in looks.items():
            element.set(key.replace("_", "-"), value)


def width_mm(words: str, size_mm: float) -> float:
    """Room that a line of text is allowed for."""
    return LETTER * size_mm * len(words)


def move_to(to: Point) -> str:
    """Begin a path there."""
    return f"M {_said(to.x)} {_said(to.y)}"


def line_to(to: Point) -> str:
    """Go on straight."""
    return f"L {_said(to.x)} {_said(to.y)}"


def arc_to(to: Point, radius_mm: float, clockwise: bool, large: bool = False) -> str:
    """Go on along an arc."""
    radius = _said(radius_mm)
    return f"A {radius} {radius} 0 {int(large)} {int(clockwise)} {_said(to.x)} {_said(to.y)}"


def _said(value: float) -> str:
    """A number with four decimals at most, and no minus before nothing."""
    return f"{round(value, 4) + 0.0:g}" if abs(value) < 1000 else f"{value:.4f}"
