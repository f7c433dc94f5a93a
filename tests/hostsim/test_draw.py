"""The drawings of the charts hold every row of the tables, and can be read.

Everything is checked on the finished SVG: what an arrow stands for by its data attributes, where it
runs by its path, and that no words lie on a box, a line or other words.
"""

import re
from itertools import combinations, pairwise
from xml.etree import ElementTree

import pytest

from controller.cycle import requestchart, unit
from controller.link import handshake
from hostsim import draw
from hostsim.charts.unit import UNIT

SVG = "{http://www.w3.org/2000/svg}"
CHARTS = {
    "unit": (draw.unit_chart, unit.STATES, unit.TRANSITIONS),
    "request": (draw.request_chart, requestchart.STATES, requestchart.TRANSITIONS),
    "hand-shake": (draw.handshake_chart, handshake.PHASES, handshake.TRANSITIONS),
}
# Words of lower-case letters take about 0.55 em a letter in DejaVu Sans, the widest of the fonts
# that are common for this (measured on a rendering); the others take less.
LETTER_EM = 0.6

Box = tuple[float, float, float, float]  # left, top, right, bottom
Point = tuple[float, float]


@pytest.fixture(params=CHARTS)
def chart(request: pytest.FixtureRequest):
    """Return (root element, state names, table) of each chart in turn."""
    drawing, names, table = CHARTS[request.param]
    return ElementTree.fromstring(drawing()), names, table


def arrows(root: ElementTree.Element) -> list[ElementTree.Element]:
    return root.findall(f"{SVG}g[@class='arrow']")


def rectangle(element: ElementTree.Element) -> Box:
    x, y, width, height = (float(element.get(name, "")) for name in ("x", "y", "width", "height"))
    return x, y, x + width, y + height


def state_boxes(root: ElementTree.Element) -> dict[int, Box]:
    return {
        int(element.get("data-state", "")): rectangle(element)
        for element in root.findall(f"{SVG}rect[@class='state']")
    }


def corners(arrow: ElementTree.Element) -> list[Point]:
    """Return the points an arrow runs through: its path's start and corners, and its head's tip."""
    path = arrow.find(f"{SVG}path")
    head = arrow.find(f"{SVG}polygon")
    assert path is not None
    assert head is not None
    start = re.match(r"M(\S+) (\S+)", path.get("d", ""))
    assert start is not None
    turns = re.findall(r"Q(\S+) (\S+)", path.get("d", ""))
    tip = head.get("points", "").split()[0].split(",")
    return [(float(x), float(y)) for x, y in [start.groups(), *turns, tip]]


def words(root: ElementTree.Element) -> list[tuple[str, Box]]:
    """Return every text with the box it may take up at most."""
    found = []
    for element in root.iter(f"{SVG}text"):
        text = element.text or ""
        size = float(element.get("font-size", ""))
        x, y = float(element.get("x", "")), float(element.get("y", ""))
        width = len(text) * size * LETTER_EM
        left = x - {"start": 0, "middle": width / 2, "end": width}[element.get("text-anchor", "")]
        found.append((text, (left, y - 0.75 * size, left + width, y + 0.2 * size)))
    return found


def overlap(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def on_edge(point: Point, box: Box) -> bool:
    x, y = point
    left, top, right, bottom = box
    return (x in (left, right) and top <= y <= bottom) or (
        y in (top, bottom) and left <= x <= right
    )


def test_every_row_of_the_table_is_drawn_and_nothing_else(chart) -> None:
    root, _, table = chart
    drawn = [
        (arrow.get("data-trigger"), int(source), int(arrow.get("data-target", "")))
        for arrow in arrows(root)
        for source in arrow.get("data-sources", "").split()
    ]
    rows = [(trigger, source, target) for trigger, sources, target in table for source in sources]
    assert sorted(drawn) == sorted(rows)


def test_every_arrow_runs_from_what_it_stands_for_to_its_target(chart) -> None:
    root, _, _ = chart
    boxes = state_boxes(root)
    others = [rectangle(element) for element in root.findall(f"{SVG}rect")]
    for arrow in arrows(root):
        sources = {int(source) for source in arrow.get("data-sources", "").split()}
        points = corners(arrow)
        assert on_edge(points[-1], boxes[int(arrow.get("data-target", ""))])
        if len(sources) == 1:
            assert on_edge(points[0], boxes[sources.pop()])
        else:
            # From the edge of a rectangle that holds exactly these states.
            assert any(
                on_edge(points[0], frame)
                and sources == {n for n, box in boxes.items() if inside(box, frame)}
                for frame in others
            )


def inside(box: Box, frame: Box) -> bool:
    return frame[0] <= box[0] and frame[1] <= box[1] and box[2] <= frame[2] and box[3] <= frame[3]


def test_every_arrow_says_its_trigger(chart) -> None:
    root, names, _ = chart
    for arrow in arrows(root):
        label, title = arrow.find(f"{SVG}text"), arrow.find(f"{SVG}title")
        assert label is not None
        assert title is not None
        assert label.text == arrow.get("data-trigger")
        assert names[int(arrow.get("data-target", ""))] in (title.text or "")


def test_every_state_is_drawn_with_its_name_and_number(chart) -> None:
    root, names, table = chart
    numbers = {state for _, sources, target in table for state in (*sources, target)}
    boxes = state_boxes(root)
    assert set(boxes) == numbers
    for number, box in boxes.items():
        texts = [text for text, place in words(root) if inside(place, box)]
        assert sorted(texts) == sorted([str(number), names[number]])


def test_no_words_lie_on_words_boxes_or_lines(chart) -> None:
    root, _, _ = chart
    all_words = words(root)
    for (one, first), (other, second) in combinations(all_words, 2):
        assert not overlap(first, second), (one, other)
    boxes = state_boxes(root).values()
    for text, place in all_words:
        for box in boxes:
            assert not overlap(place, box) or inside(place, box), text
        for arrow in arrows(root):
            for (x1, y1), (x2, y2) in pairwise(corners(arrow)):
                line = (min(x1, x2) - 1, min(y1, y2) - 1, max(x1, x2) + 1, max(y1, y2) + 1)
                assert not overlap(place, line), (text, arrow.get("data-trigger"))


def test_no_line_crosses_a_box_or_leaves_the_sheet(chart) -> None:
    root, _, _ = chart
    boxes = state_boxes(root)
    _, _, width, height = (float(size) for size in root.get("viewBox", "").split())
    for arrow in arrows(root):
        for (x1, y1), (x2, y2) in pairwise(corners(arrow)):
            line = (min(x1, x2), min(y1, y2), max(x1, x2) + 0.1, max(y1, y2) + 0.1)
            for number, (left, top, right, bottom) in boxes.items():
                core = (left + 1, top + 1, right - 1, bottom - 1)
                assert not overlap(line, core), (arrow.get("data-trigger"), number)
            assert inside(line, (0, 0, width, height))
    for text, place in words(root):
        assert inside(place, (0, 0, width, height)), text


def test_a_row_without_a_route_is_refused() -> None:
    table = (*unit.TRANSITIONS, ("Hold", (unit.STARTING,), unit.HOLDING))
    with pytest.raises(LookupError, match="no route for Hold"):
        draw.Drawing(UNIT, unit.STATES, table)


def test_a_route_without_a_row_is_refused() -> None:
    with pytest.raises(LookupError, match="no row for the routes"):
        draw.Drawing(UNIT, unit.STATES, unit.TRANSITIONS[1:])


def test_a_frame_that_holds_the_wrong_states_is_refused() -> None:
    # One state fewer in the row: the frame no longer stands for it, and there are no single routes.
    trigger, sources, target = unit.TRANSITIONS[15]
    assert trigger == "Stop"
    table = (*unit.TRANSITIONS[:15], (trigger, sources[1:], target), *unit.TRANSITIONS[16:])
    with pytest.raises(LookupError, match="no route for Stop"):
        draw.Drawing(UNIT, unit.STATES, table)


def test_all_files_are_written(tmp_path, capsys) -> None:
    folder = tmp_path / "new" / "folder"
    assert draw.main([str(folder)]) == 0
    paths = [folder / f"{name}-chart.svg" for name in CHARTS]
    assert capsys.readouterr().out.split() == [str(path) for path in paths]
    for path in paths:
        assert ElementTree.parse(path).getroot().tag == f"{SVG}svg"


def test_a_folder_that_cannot_be_made_is_an_error_in_one_line(tmp_path, capsys) -> None:
    (tmp_path / "file").write_text("in the way")
    assert draw.main([str(tmp_path / "file")]) == 1
    assert capsys.readouterr().err.count("\n") == 1


def test_the_committed_pictures_are_of_the_present_tables() -> None:
    for name, (drawing, _, _) in CHARTS.items():
        shown = (draw.PICTURES / f"{name}-chart.svg").read_text(encoding="utf-8")
        assert shown == drawing(), "run `python -m hostsim.draw`"
