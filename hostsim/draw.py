"""Draw the firmware's state charts as SVG, straight from its tables.

    python -m hostsim.draw

writes `unit-chart.svg`, `request-chart.svg` and `hand-shake-chart.svg` into `hostsim/pictures`.
READMEs show them; run this again when a table has changed.

Theory of operation
-------------------
`hostsim.charts` says where things lie, the tables of `controller` say what there is.
Every row of a table becomes an arrow, or one arrow per state it is legal in; if the layout has no
route for one of them, or a route for something the table does not have, nothing is written and the
error names it.  A drawing can therefore be ugly, but not wrong.
"""

import argparse
import sys
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

from controller.cycle import requestchart, unit
from controller.link import handshake
from hostsim.charts.handshake import HANDSHAKE
from hostsim.charts.layout import Frame, Layout, Place, Route
from hostsim.charts.request import REQUEST
from hostsim.charts.unit import UNIT

Row = tuple[str, tuple[int, ...], int]
Point = tuple[float, float]

PICTURES = Path(__file__).resolve().parent / "pictures"
FONT = "Helvetica, Arial, 'DejaVu Sans', sans-serif"
INK = "#1f2933"
LINE = "#52606d"
PAPER = "#ffffff"
FRAME_FILL = "#f7f9fb"
FRAME_LINE = "#c3ccd6"
# Line and tint of each family of states.
COLOURS = {
    "run": ("#0b7a6f", "#e0f2ef"),
    "pause": ("#b7670b", "#fdf0dc"),
    "stop": ("#4a5d73", "#e8edf3"),
    "fault": ("#b3261e", "#fce8e6"),
}
CORNER = 9.0
HEAD_LENGTH = 9.0
HEAD_HALF_WIDTH = 4.0


class Drawing:
    """One chart as an SVG document."""

    def __init__(self, layout: Layout, names: tuple[str, ...], rows: tuple[Row, ...]) -> None:
        """Draw it all; LookupError if table and layout do not belong together."""
        self.layout = layout
        self.names = names
        self.root = ElementTree.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": f"0 0 {layout.width:g} {layout.height:g}",
                "font-family": FONT,
                "role": "img",
                "aria-label": layout.title,
            },
        )
        self._sheet()
        for frame in sorted(layout.frames.values(), key=lambda frame: -frame.place.width):
            self._frame(frame)
        self._arrows(rows)
        self._initial_arrow()
        for number, place in layout.places.items():
            self._state(number, place)
        self._legend()

    def text(self) -> str:
        """Return the document."""
        ElementTree.indent(self.root)
        return ElementTree.tostring(self.root, encoding="unicode") + "\n"

    def _add(
        self, parent: ElementTree.Element, tag: str, /, **attributes: object
    ) -> ElementTree.Element:
        """Append an element; underscores in attribute names stand for hyphens."""
        return ElementTree.SubElement(
            parent,
            tag,
            {
                name.replace("_", "-"): f"{value:g}" if isinstance(value, float) else str(value)
                for name, value in attributes.items()
            },
        )

    def _rectangle(self, place: Place, radius: float, **style: object) -> ElementTree.Element:
        box = {"x": place.left, "y": place.top, "width": place.width, "height": place.height}
        return self._add(self.root, "rect", **box, rx=radius, **style)

    def _words(self, words: str, at: Point, size: float, **style: object) -> None:
        style = {"fill": INK, "text_anchor": "middle", **style}
        element = self._add(self.root, "text", x=at[0], y=at[1], font_size=size, **style)
        element.text = words

    def _sheet(self) -> None:
        """White paper with a hair of a border, so that it also reads on a dark page."""
        width, height = self.layout.width, self.layout.height
        sheet = Place(width / 2, height / 2, width - 1, height - 1)
        self._rectangle(sheet, 12.0, fill=PAPER, stroke=FRAME_LINE)
        self._words(self.layout.title, (28.0, 40.0), 21.0, font_weight="bold", text_anchor="start")
        at = (width - 28.0, 40.0)
        self._words(self.layout.subtitle, at, 12.5, text_anchor="end", fill=LINE)

    def _frame(self, frame: Frame) -> None:
        place = frame.place
        self._rectangle(
            place,
            14.0,
            fill=FRAME_FILL,
            stroke=FRAME_LINE,
            stroke_width=1.5,
            stroke_dasharray="6 5",
        )
        at = (place.left + 16, place.top + 20)
        self._words(frame.note, at, 11.5, text_anchor="start", fill=LINE, font_style="italic")

    def _state(self, number: int, place: Place) -> None:
        family = next(name for name, members in self.layout.families.items() if number in members)
        line, tint = COLOURS[family]
        rests = number in self.layout.resting
        fill, width = (PAPER, 2.6) if rests else (tint, 1.3)
        box = self._rectangle(place, 9.0, fill=fill, stroke=line, stroke_width=width)
        box.set("class", "state")
        box.set("data-state", str(number))
        self._words(self.names[number], (place.x, place.y + 6), 14.0, font_weight="bold")
        at = (place.left + 7, place.top + 13)
        self._words(str(number), at, 10.0, text_anchor="start", fill=line)
        if number in self.layout.marked:
            self._mark((place.right - 11, place.top + 11))

    def _mark(self, at: Point) -> None:
        self._add(
            self.root,
            "circle",
            cx=at[0],
            cy=at[1],
            r=3.6,
            fill="none",
            stroke=INK,
            stroke_width=1.4,
        )

    def _arrows(self, rows: tuple[Row, ...]) -> None:
        unused = dict(self.layout.routes)
        for trigger, sources, target in rows:
            for origin, members in self._origins(sources):
                route = unused.pop((trigger, origin), None)
                if route is None:
                    raise LookupError(f"the layout has no route for {trigger} from {origin}")
                self._arrow(trigger, origin, members, target, route)
        if unused:
            raise LookupError(f"the table has no row for the routes {sorted(map(str, unused))}")

    def _origins(self, sources: tuple[int, ...]) -> list[tuple[int | str, tuple[int, ...]]]:
        """Return where the arrows of a row start, and for which states: one frame, or each."""
        for name, frame in self.layout.frames.items():
            inside = {n for n, place in self.layout.places.items() if frame.place.holds(place)}
            if inside == set(sources):
                return [(name, sources)]
        return [(source, (source,)) for source in sources]

    def _arrow(
        self, trigger: str, origin: int | str, members: tuple[int, ...], target: int, route: Route
    ) -> None:
        """Draw one arrow with its label and, for a pointer held over it, the rows it stands for."""
        places = self.layout.places
        source = self.layout.frames[origin].place if isinstance(origin, str) else places[origin]
        points = trace(source, places[target], route)
        group = self._add(
            self.root,
            "g",
            **{"class": "arrow"},
            data_trigger=trigger,
            data_sources=" ".join(map(str, members)),
            data_target=target,
        )
        origins = ", ".join(self.names[number] for number in members)
        title = f"{origins}: {trigger} leads to {self.names[target]}"
        self._add(group, "title").text = title
        self._line(group, points)
        (x, y), anchor = label_place(points)
        at = (x + route.label[0], y + route.label[1])
        label = self._add(group, "text", x=at[0], y=at[1], font_size=12.0, text_anchor=anchor)
        label.set("fill", INK)
        label.text = trigger

    def _line(self, group: ElementTree.Element, points: list[Point]) -> None:
        """Draw a line with rounded corners through `points`, and a head at the last one."""
        (x, y), (before_x, before_y) = points[-1], points[-2]
        length = abs(x - before_x) + abs(y - before_y)
        ahead_x, ahead_y = (x - before_x) / length, (y - before_y) / length
        base = (x - ahead_x * HEAD_LENGTH, y - ahead_y * HEAD_LENGTH)
        path = rounded([*points[:-1], base])
        self._add(group, "path", d=path, fill="none", stroke=LINE, stroke_width=1.6)
        side_x, side_y = -ahead_y * HEAD_HALF_WIDTH, ahead_x * HEAD_HALF_WIDTH
        corners = [
            (x, y),
            (base[0] + side_x, base[1] + side_y),
            (base[0] - side_x, base[1] - side_y),
        ]
        head = " ".join(f"{x:g},{y:g}" for x, y in corners)
        self._add(group, "polygon", points=head, fill=LINE)

    def _initial_arrow(self) -> None:
        """The dot it all starts from, and its arrow to the state that follows power-up."""
        x, y = self.layout.initial_dot
        place = self.layout.places[self.layout.initial]
        below = y > place.y
        self._add(self.root, "circle", cx=x, cy=y, r=5.0, fill=INK)
        self._line(self.root, [(x, y), (x, place.bottom if below else place.top)])
        self._words(self.layout.initial_note, (x + 11, y + 4), 12.0, text_anchor="start")

    def _legend(self) -> None:
        x, y = self.layout.legend
        lines = self.layout.legend_lines
        for kind, words in lines:
            if kind == "mark":
                self._mark((x + 15, y))
            elif kind == "number":
                self._words("4", (x + 15, y + 4), 10.0)
            else:
                fill, width = (PAPER, 2.6) if kind == "resting" else (COLOURS["stop"][1], 1.3)
                swatch = Place(x + 15, y, 30.0, 15.0)
                self._rectangle(
                    swatch, 4.0, fill=fill, stroke=COLOURS["stop"][0], stroke_width=width
                )
            self._words(words, (x + 40, y + 4), 12.0, text_anchor="start")
            y += 23


def trace(source: Place, target: Place, route: Route) -> list[Point]:
    """Return the corners of an arrow from the edge of `source` to the edge of `target`."""
    start_side, start = edge_point(source, route.start)
    _, end = edge_point(target, route.end)
    points = [start]
    x, y = start
    sideways = start_side in ("left", "right")
    for via in route.vias:
        x, y = (via, y) if sideways else (x, via)
        points.append((x, y))
        sideways = not sideways
    corner = (end[0], y) if sideways else (x, end[1])
    return [*points, end] if corner in (points[-1], end) else [*points, corner, end]


def edge_point(place: Place, port: str | tuple[str, float]) -> tuple[str, Point]:
    """Return the side and the point of a port: `Route` says how it is given."""
    side, along = port if isinstance(port, tuple) else (port, None)
    if side in ("left", "right"):
        x = place.left if side == "left" else place.right
        return side, (x, place.y if along is None else along)
    y = place.top if side == "top" else place.bottom
    return side, (place.x if along is None else along, y)


def label_place(points: list[Point]) -> tuple[Point, str]:
    """Return where a label goes and its anchor: above, or right of, the longest stretch."""
    stretches = list(pairwise(points))
    (x1, y1), (x2, y2) = max(
        stretches, key=lambda s: abs(s[0][0] - s[1][0]) + abs(s[0][1] - s[1][1])
    )
    if y1 == y2:
        return ((x1 + x2) / 2, y1 - 6), "middle"
    return (x1 + 7, (y1 + y2) / 2 + 4), "start"


def rounded(points: list[Point]) -> str:
    """Return SVG path data through `points` along the axes, with the corners rounded off."""
    path = f"M{points[0][0]:g} {points[0][1]:g}"
    for before, corner, after in zip(points, points[1:], points[2:], strict=False):
        enter, leave = towards(corner, before), towards(corner, after)
        path += (
            f" L{enter[0]:g} {enter[1]:g} Q{corner[0]:g} {corner[1]:g} {leave[0]:g} {leave[1]:g}"
        )
    return path + f" L{points[-1][0]:g} {points[-1][1]:g}"


def towards(corner: Point, other: Point) -> Point:
    """Return the point where the rounding of `corner` begins on the way to `other`."""
    (x, y), (other_x, other_y) = corner, other
    length = abs(other_x - x) + abs(other_y - y)
    share = min(CORNER, length / 2) / length
    return x + (other_x - x) * share, y + (other_y - y) * share


def unit_chart() -> str:
    """Return the drawing of the unit chart."""
    return Drawing(UNIT, unit.STATES, unit.TRANSITIONS).text()


def request_chart() -> str:
    """Return the drawing of the request chart."""
    return Drawing(REQUEST, requestchart.STATES, requestchart.TRANSITIONS).text()


def handshake_chart() -> str:
    """Return the drawing of the hard-wired hand-shake."""
    return Drawing(HANDSHAKE, handshake.PHASES, handshake.TRANSITIONS).text()


CHARTS = {"unit": unit_chart, "request": request_chart, "hand-shake": handshake_chart}


def main(arguments: list[str]) -> int:
    """Write the drawings; return the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m hostsim.draw",
        description="Draw the charts of unit, request and hand-shake as SVG, from their tables.",
    )
    parser.add_argument(
        "folder",
        type=Path,
        nargs="?",
        default=PICTURES,
        metavar="OUT_DIR",
        help="folder to write into (default: hostsim/pictures, which the README shows)",
    )
    folder = parser.parse_args(arguments).folder
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, drawing in CHARTS.items():
            path = folder / f"{name}-chart.svg"
            path.write_text(drawing(), encoding="utf-8")
            print(path)
    except OSError as error:
        print(f"can't write the drawings: {error}; choose another OUT_DIR", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
