"""A request as a picture: what the sprocket, the beam and the charts did, moment by moment.

Theory of operation
-------------------
Four views over one time axis: pockets and count, step rate, beam, states.  The count runs behind
the pockets by one fall, and lies between two bounds that close on each other.

A pulse's verdict is told by shape and colour together.  A band too narrow for its name is named
in the line below the bands.
"""

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from controller.counting.tally import EARLY, GOOD, LATE, LONG, SHORT, STRAY
from hostsim.plots import (
    BLUE,
    FAINT,
    INK,
    ORANGE,
    PINK,
    RULE,
    SAND,
    SKY,
    STYLE,
    TEAL,
    headline,
    limit_line,
    motion,
    save,
    step_times_s,
)
from hostsim.timeline import Timeline
from hostsim.words import RequestState, UnitState, Word

# verdict -> (name, marker, colour)
VERDICTS = {
    GOOD: ("good: one part", "o", TEAL),
    SHORT: ("short: noise", "x", FAINT),
    LONG: ("long: may be two", "s", ORANGE),
    EARLY: ("early: no pocket yet", "^", PINK),
    STRAY: ("stray: no pocket left", "D", PINK),
    LATE: ("late: a part that clung", "v", BLUE),
}

REQUEST_COLOURS = {
    RequestState.NONE: "#ffffff",
    RequestState.TESTING: "#c9b8dc",
    RequestState.REGISTERING: SAND,
    RequestState.COUNTING: SKY,
    RequestState.SETTLING: "#cfe8e4",
    RequestState.VERIFYING: "#7fc4ba",
    RequestState.FREEING: "#f3b27a",
    RequestState.WAITING: "#e8a3c4",
    RequestState.CLOSED: RULE,
}
# Unit states by their kind: in service, waiting, at rest, on the way, in trouble.
UNIT_COLOURS = (
    {UnitState.EXECUTE: SKY}
    | dict.fromkeys((UnitState.SUSPENDED, UnitState.HELD), "#e8a3c4")
    | dict.fromkeys((UnitState.IDLE, UnitState.STOPPED, UnitState.COMPLETE), RULE)
    | {UnitState.ABORTED: "#f3b27a"}
)
ON_THE_WAY = SAND

CHARACTER_SHARE = 0.0085  # of the axis width, for deciding whether a name fits into its band
RATE_MOMENTS = 1500  # points along the step rate


def plot_timeline(timeline: Timeline, path: Path) -> None:
    """Draw the request to `path` (.svg or .png)."""
    with rc_context(STYLE):
        figure = Figure(figsize=(10, 7), layout="constrained")
        heights = {"height_ratios": (3.2, 1.8, 1.3, 1.0)}
        counts, rate, beam, states = figure.subplots(4, 1, sharex=True, gridspec_kw=heights)
        headline(figure, timeline.title)
        draw_counts(counts, timeline)
        draw_rate(rate, timeline)
        draw_beam(beam, timeline)
        draw_states(states, timeline)
        states.set_xlabel("time since the request was opened (s)")
        states.set_xlim(0, timeline.second(timeline.end_us))
        figure.align_ylabels()
        save(figure, path)


def draw_counts(axes: Axes, timeline: Timeline) -> None:
    """Pockets passed, and between which bounds the parts out are known to lie."""
    times: list[float] = [0.0]
    places: list[float] = [0.0]
    at_steps = 0.0
    for start_us, move, made in timeline.moves:
        steps_s = timeline.second(start_us) + step_times_s(move)[: made + 1]
        thinned = np.unique(np.linspace(0, made, RATE_MOMENTS, dtype=int))
        times.extend(steps_s[thinned])
        places.extend((at_steps + move.direction * thinned) / timeline.steps_per_pocket)
        at_steps += move.direction * made
    end_s = timeline.second(timeline.end_us)
    axes.plot([*times, end_s], [*places, places[-1]], color=BLUE, label="pockets turned")
    stairs = [(0, 0, 0), *timeline.bounds, (timeline.end_us, *timeline.bounds[-1][1:])]
    known_s = [max(0.0, timeline.second(row[0])) for row in stairs]
    lower, upper = [row[1] for row in stairs], [row[2] for row in stairs]
    axes.fill_between(
        known_s, lower, upper, step="post", color=TEAL, alpha=0.25, linewidth=0,
        label="not yet known",
    )  # fmt: skip
    axes.step(known_s, lower, where="post", color=TEAL, linewidth=1.4, label="parts surely out")
    axes.step(
        known_s, upper, where="post", color=TEAL, linewidth=0.9, linestyle=(0, (3, 2)),
        label="parts possibly out",
    )  # fmt: skip
    limit_line(axes, timeline.quantity, f"asked for {timeline.quantity}")
    axes.set_ylabel("count")
    axes.set_ylim(-0.03 * timeline.quantity, 1.16 * max(timeline.quantity, *upper, *places))
    axes.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=4, borderaxespad=0.2)


def draw_rate(axes: Axes, timeline: Timeline) -> None:
    """Step rate, negative when turning back."""
    end_s = timeline.second(timeline.end_us)
    axes.plot((0, end_s), (0, 0), color=ORANGE, linewidth=1)
    span_s = max(end_s, 1e-6)
    lowest = 0.0
    for start_us, move, made in timeline.moves:
        steps_s = step_times_s(move)[: made + 1]
        moments = max(16, round(RATE_MOMENTS * steps_s[-1] / span_s))
        at_s = np.linspace(0, steps_s[-1], moments)
        speed = move.direction * motion(steps_s, at_s)[1] / 1000
        lowest = min(lowest, speed.min())
        # A creep starts, and a halt ends, without a ramp: draw it down to rest at both ends.
        times = timeline.second(start_us) + np.concatenate(([0], at_s, [at_s[-1]]))
        speed = np.concatenate(([0], speed, [0]))
        axes.plot(times, speed, color=ORANGE)
        axes.fill_between(times, speed, color=ORANGE, alpha=0.12, linewidth=0)
    top = timeline.rate_limit_steps_s / 1000
    limit_line(axes, top, f"limit {timeline.rate_limit_steps_s} steps/s")
    axes.set_ylim(min(1.6 * lowest, -0.04 * top), 1.28 * top)
    axes.set_ylabel("step rate\n(1000 steps/s)")


def draw_beam(axes: Axes, timeline: Timeline) -> None:
    """Beam level, and over it what each pulse was taken for."""
    axes.set_ylim(-0.15, 2)
    level, times, levels = 0, [0.0], [0]
    for time_us, blocked in timeline.edges:
        at = timeline.second(time_us)
        times += [at, at]
        levels += [level, blocked]
        level = blocked
    axes.plot([*times, timeline.second(timeline.end_us)], [*levels, level], color=INK, lw=0.7)
    axes.fill_between(times, levels, color=INK, alpha=0.35, linewidth=0)
    seen = sorted({verdict for _, verdict, _ in timeline.pulses})
    for verdict in seen:
        name, marker, colour = VERDICTS[verdict]
        middles_s = [
            timeline.second(start + width / 2)
            for start, kind, width in timeline.pulses
            if kind == verdict
        ]
        axes.plot(middles_s, [1.3] * len(middles_s), marker, color=colour, ms=4.5, label=name)
    axes.set_yticks((0, 1), ("clear", "blocked"))
    axes.set_ylabel("beam")
    axes.grid(visible=False, axis="y")
    if seen:
        axes.legend(loc="upper right", ncols=len(seen), borderaxespad=0, handletextpad=0.2)


def draw_states(axes: Axes, timeline: Timeline) -> None:
    """The two charts as bands."""
    axes.set_ylim(-1.1, 2)
    axes.set_yticks((0.5, 1.5), ("request", "unit"))
    axes.tick_params(axis="y", length=0)
    axes.grid(visible=False)
    for row, changes, kind, colours in (
        (1, timeline.unit_states, UnitState, UNIT_COLOURS),
        (0, timeline.request_states, RequestState, REQUEST_COLOURS),
    ):
        draw_bands(axes, row, stretches(timeline, changes, kind), colours)


def stretches(
    timeline: Timeline, changes: Sequence[tuple[int, int]], kind: type[Word]
) -> list[tuple[float, float, Word]]:
    """The stretches of time spent in each state, within the picture."""
    ends = [*changes, (timeline.end_us, 0)]
    clipped = (
        (max(begin, timeline.begin_us), min(end, timeline.end_us), kind(number))
        for (begin, number), (end, _) in pairwise(ends)
    )
    return [
        (timeline.second(begin), timeline.second(end), state)
        for begin, end, state in clipped
        if end > begin
    ]


def draw_bands(
    axes: Axes, row: float, bands: Sequence[tuple[float, float, Word]], colours: dict
) -> None:
    """Draw one row of bands, named inside; those too narrow for a name are named below."""
    span_s = axes.dataLim.x1 if not bands else max(bands[-1][1], 1e-9)
    unnamed: dict[Word, str] = {}
    named = set()
    for begin_s, end_s, state in bands:
        colour = colours.get(state, ON_THE_WAY)
        axes.broken_barh(
            [(begin_s, end_s - begin_s)],
            (row + 0.12, 0.76),
            facecolor=colour,
            edgecolor="white",
            lw=0.6,
        )
        if (end_s - begin_s) / span_s > CHARACTER_SHARE * (len(str(state)) + 1):
            axes.text(
                (begin_s + end_s) / 2, row + 0.5, str(state), ha="center", va="center", fontsize=8
            )
            named.add(state)
        else:
            unnamed[state] = colour
    patches = [
        Patch(color=colour, label=str(state))
        for state, colour in unnamed.items()
        if state not in named
    ]
    if patches:
        legend = axes.legend(
            handles=patches, loc="lower left" if row == 0 else "lower right", ncols=len(patches),
            fontsize=8, borderaxespad=0, handlelength=1, columnspacing=1,
        )  # fmt: skip
        axes.add_artist(legend)
