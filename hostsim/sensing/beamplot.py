"""The beam as a picture: pulses by attitude, and two parts at once by rate."""

from pathlib import Path

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from controller.counting.windows import Windows
from hostsim.config import ModuleConfig
from hostsim.facts import Facts
from hostsim.plots import (
    BACKED,
    BLUE,
    FAINT,
    INK,
    ORANGE,
    SAND,
    STYLE,
    TEAL,
    headline,
    limit_line,
    save,
)
from hostsim.sensing.fall import Shape, dark_s
from hostsim.sensing.overlap import Overlap
from hostsim.sensing.predict import RARE, Sensing

LEANS = 91
RATES = 120
TICKS = [step * 10**power for power in range(-1, 5) for step in (1, 2, 5)]
LEAST = 1e-9  # chances below are not worth a look


def plot_beam(config: ModuleConfig, facts: Facts, sensing: Sensing, path: Path) -> None:
    """Draw pulses and overlap of a module to `path`, .svg or .png."""
    with rc_context(STYLE):
        figure = Figure(figsize=(9.5, 4.2), layout="constrained")
        pulses, chances = figure.subplots(1, 2)
        headline(
            figure,
            f"{config.settings.part_name} at the beam: after"
            f" {1e3 * sensing.fall.mean_s:.1f} ms at {sensing.fall.speed_m_s:.2f} m/s",
        )
        _draw_pulses(pulses, config, sensing)
        _draw_chances(chances, config, facts, sensing)
        save(figure, path)


def _draw_pulses(axes: Axes, config: ModuleConfig, sensing: Sensing) -> None:
    shape, windows = Shape.of(config.values["part"]), Windows(config.settings)
    drop_m = config.values["beam"]["drop_mm"] / 1e3
    degrees = np.linspace(0, 90, LEANS)
    darks = [1e3 * dark_s(drop_m, shape.extent_m(np.cos(np.radians(lean)))) for lean in degrees]
    shortest, longest = windows.shortest_us / 1e3, windows.longest_us / 1e3
    axes.axhspan(shortest, longest, color=SAND, alpha=0.5, linewidth=0)
    axes.plot(degrees, darks, color=BLUE, label="pulse of one part")
    limit_line(axes, longest, f"longest {longest:.1f} ms: more is two parts")
    limit_line(axes, shortest, f"shortest {shortest:.1f} ms: less is a disturbance")
    if sensing.gap_s:
        axes.plot(90, 1e3 * sensing.gap_s, "o", color=ORANGE, ms=5, clip_on=False,
                  label="gap, seen through the hole")  # fmt: skip
    axes.set_ylim(0, 1.3 * longest)
    axes.set_xlim(0, 90)
    axes.set_xticks(range(0, 91, 15))
    axes.legend(loc="upper left")
    axes.set_xlabel("axis of the part against the fall (degrees)")
    axes.set_ylabel("dark (ms)")


def _draw_chances(axes: Axes, config: ModuleConfig, facts: Facts, sensing: Sensing) -> None:
    overlap, windows = Overlap(config.values), Windows(config.settings)
    merge_s = windows.merge_us / 1e6
    marks = [
        (rate, name, colour)
        for rate, name, colour in (
            (facts.cruise_rate, "cruise", INK),
            (facts.separation_rate, "separation, worst case", TEAL),
            (facts.refill_rate, "refill of the pockets", BLUE),
        )
        if rate  # 0: nothing slides, and a logarithmic axis has no place for it
    ]
    shown = [sensing.overlap_rate, *(rate for rate, _, _ in marks)]
    rates = np.geomspace(0.7 * min(shown), 1.6 * max(shown), RATES)
    for guard_s, name, style in (
        (0.0, "overlap: two look like one", "-"),
        (merge_s, "pulses joined by the firmware", (0, (4, 2))),
    ):
        chances = [overlap.probability(rate, guard_s) for rate in rates]
        axes.plot(rates, chances, color=ORANGE, linestyle=style, label=name)
    for number, (rate, name, colour) in enumerate(sorted(marks)):
        axes.axvline(rate, color=colour, linewidth=1, linestyle=(0, (1, 2)))
        # The lowest to the left of its line, the others one above the other: they may be close,
        # and the line of the highest then runs behind the label of the middle one.
        axes.annotate(
            f"{name} {rate:.3g}",
            (rate, 0.475 if number == 2 else 0.03),
            (-2 if number == 0 else 2, 0),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            rotation=90,
            ha="left" if number else "right",
            fontsize=8,
            color=colour,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5} if number == 1 else None,
        )
    limit_line(axes, RARE, "")
    axes.annotate(
        "one in a million",
        (overlap.rate(RARE, merge_s), RARE),
        (-5, 3),
        textcoords="offset points",
        ha="right",
        fontsize=8,
        color=FAINT,
    )
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_ylim(LEAST, 2)
    axes.set_xlim(rates[0], rates[-1])
    ticks = [rate for rate in TICKS if rates[0] <= rate <= rates[-1]]
    axes.set_xticks(ticks, [f"{rate:g}" for rate in ticks])
    axes.set_xticks([], minor=True)
    axes.legend(loc="upper left", **BACKED)
    axes.set_xlabel("rate (pockets/s)")
    axes.set_ylabel("chance of a part")
