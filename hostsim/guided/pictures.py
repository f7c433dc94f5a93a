"""Pictures of commissioning, for its report: what was measured, and what follows from it.

Theory of operation
-------------------
One figure of up to four panels, each with its unit on the axis and its limits drawn as dashed
lines with their names.  A panel whose step has not been done is left out.  Colours as in
`hostsim.plots`; a mark's shape says the same as its colour.
"""

from collections.abc import Callable

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from hostsim.guided.record import Record
from hostsim.guided.report import Picture, svg_of
from hostsim.plots import BLUE, FAINT, INK, ORANGE, STYLE, TEAL

SMALL = {**STYLE, "font.size": 7.5, "axes.titlesize": 8.5, "axes.titleweight": "bold"}
BINS = 24
# Behind words that a limit may run through.
PLATE = {"boxstyle": "square,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.9}
Draw = Callable[[Axes, Record], None]


def picture(record: Record) -> Picture | None:
    """The figure of what the record holds; None if that is nothing to draw."""
    panels = [draw for key, draw in PANELS if record.value(*key) is not None]
    if not panels:
        return None
    with rc_context(SMALL):
        columns = min(2, len(panels))
        rows = -(-len(panels) // columns)
        figure = Figure(figsize=(7.4, 1.75 * rows), layout="constrained")
        places = np.atleast_1d(figure.subplots(rows, columns)).ravel()
        for axes in places[len(panels) :]:
            axes.set_axis_off()
        for axes, draw in zip(places, panels, strict=False):
            draw(axes, record)
        return Picture("Measured", svg_of(figure))


def first_turn(record: Record) -> Picture | None:
    """The index edges of the first turn; None if there are none to draw."""
    edges = record.value("slow turn", "edge_steps")
    if not edges or len(edges) < 2:
        return None
    pitch = record.value("slow turn", "pitch_steps")
    gaps = np.diff(edges)
    with rc_context(SMALL):
        figure = Figure(figsize=(7.4, 1.7), layout="constrained")
        axes = figure.subplots()
        axes.bar(np.arange(1, len(gaps) + 1), gaps, width=0.55, color=BLUE, alpha=0.8)
        axes.axhline(pitch, color=FAINT, ls=(0, (5, 3)), lw=1)
        axes.set_ylabel("motor steps")
        axes.set_xlabel(f"from index edge to index edge; dashed: configured, {pitch:.2f}")
        axes.set_xticks(np.arange(1, len(gaps) + 1))
        axes.set_ylim(0, 1.15 * max(pitch, *gaps.tolist()))
        return Picture("First turn", svg_of(figure))


def _delays(axes: Axes, record: Record) -> None:
    """Delays at the two rates, and the early and late limits."""
    fast = np.array(record.value("two rates", "fast_us")) / 1e3
    slow = np.array(record.value("two rates", "slow_us")) / 1e3
    bins = np.linspace(min(fast.min(), slow.min()), max(fast.max(), slow.max()), 2 * BINS).tolist()
    for delays, colour, key, up in ((slow, ORANGE, "slow", 0.6), (fast, BLUE, "fast", 0.86)):
        rate = record.value("two rates", f"{key}_steps_s")
        axes.hist(delays, bins=bins, color=colour, alpha=0.75)
        text = f"{rate:.0f} steps/s\n{len(delays)} parts"
        axes.text(
            0.985, up, text, color=colour, transform=axes.transAxes, ha="right", va="top",
            bbox=PLATE, zorder=4,
        )  # fmt: skip
    axes.set_ylim(0, 1.3 * axes.get_ylim()[1])  # room for the names
    # The limits count from the release edge as it will be; the delays still from the old one.
    moved_ms = 1e3 * (record.value("windows", "moved_steps") or 0.0) / rate
    _limits(axes, record, ("early_ms", "late_ms"), moved_ms)
    fall = record.value("two rates", "fall_us")[0] / 1e3
    axes.axvline(fall, color=INK, lw=1)
    axes.set_title("From the release edge to the beam", loc="left")
    axes.set_xlabel(f"delay (ms); solid: fall, {fall:.1f}; dashed: window, from the edge as found")
    axes.set_ylabel("parts")


def _widths(axes: Axes, record: Record) -> None:
    """Pulse widths, and the shortest and longest limits."""
    axes.hist(np.array(record.value("two rates", "widths_us")) / 1e3, bins=BINS, color=TEAL)
    axes.set_ylim(0, 1.2 * axes.get_ylim()[1])  # room for the names
    _limits(axes, record, ("shortest_ms", "longest_ms"))
    axes.set_title("Time a part darkens the beam", loc="left")
    axes.set_xlabel("width (ms); dashed: window")
    axes.set_ylabel("parts")


def _limits(axes: Axes, record: Record, names: tuple[str, str], moved_ms: float = 0.0) -> None:
    for name in names:
        at = record.value("windows", name)
        if at is not None:
            axes.axvline(at + moved_ms, color=FAINT, linestyle=(0, (5, 3)), linewidth=1)
            text = f" {name.removesuffix('_ms')} {at:g} "
            right = name == names[1]
            axes.text(
                at + moved_ms, 1.0, text, transform=axes.get_xaxis_transform(), va="top",
                fontsize=6.5, color=FAINT, ha="right" if right else "left",
            )  # fmt: skip
    axes.margins(x=0.06)


def _yields(axes: Axes, record: Record) -> None:
    """Yield at each rate that was tried, with exact limits."""
    for trial in record.value("rate", "tried"):
        value, low, high = (100 * part for part in trial["yield"])
        colour, mark = (TEAL, "o") if trial["passed"] else (ORANGE, "x")
        axes.errorbar(
            100 * trial["share"], value, [[value - low], [high - value]],
            fmt=mark, color=colour, capsize=2.5, ms=5, lw=1.2,
        )  # fmt: skip
    axes.axhline(100 * record.value("rate", "target"), color=FAINT, ls=(0, (5, 3)), lw=1)
    axes.set_title("Yield, with exact 95 % limits", loc="left")
    axes.set_xlabel("rate (% of the velocity limit); o passed, x failed; dashed: target")
    axes.set_ylabel("pockets with a part (%)")
    axes.set_xlim(15, 105)
    bottom = min(100 * trial["yield"][1] for trial in record.value("rate", "tried"))
    axes.set_ylim(min(95.0, bottom - 2), 101 + max(0.0, 95 - bottom) / 20)


def _turn(axes: Axes, record: Record) -> None:
    """Steps from flag to flag, around the wheel."""
    steps = record.value("ratio", "per_pocket")
    pockets = record.value("ratio", "pockets")
    mean = record.value("ratio", "steps_per_turn") / pockets
    configured = record.value("ratio", "configured") / pockets
    seats = [number % pockets + 1 for number in range(len(steps))]
    axes.plot(seats, steps, "o", color=BLUE, ms=3.5, alpha=0.6)
    axes.axhline(mean, color=BLUE, lw=1)
    axes.axhline(configured, color=FAINT, ls=(0, (5, 3)), lw=1)
    axes.set_title("Motor steps from flag to flag", loc="left")
    axes.set_xlabel(f"pocket; line: mean, {mean:.2f}; dashed: configured, {configured:.2f}")
    axes.set_ylabel("steps")
    half = max(4.0, 1.3 * max(abs(at - mean) for at in [*steps, configured]))
    axes.set_ylim(mean - half, mean + half)
    axes.set_xlim(0.5, pockets + 0.5)
    axes.set_xticks(range(1, pockets + 1))


PANELS: tuple[tuple[tuple[str, str], Draw], ...] = (
    (("two rates", "fast_us"), _delays),
    (("two rates", "widths_us"), _widths),
    (("rate", "tried"), _yields),
    (("ratio", "per_pocket"), _turn),
)
