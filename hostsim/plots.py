"""Pictures: the house style, and the run as the plan verb draws it.

Theory of operation
-------------------
A run is known by the times of its steps.  Speed and acceleration are read off those times, not
off the planner's formulas, so the picture shows what the motor will get.  Around each moment a
cubic is fitted to the neighbouring steps; a jerk-limited run is made of cubics, so the fit is
true to it everywhere but within a window's width of a corner.

Colours are chosen to stay apart for colour-blind eyes and in grey print: dark blue, orange,
green-blue and a light grey differ in lightness too, and no meaning hangs on a colour alone.
"""

from pathlib import Path
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from controller.motion.words import TICK_HZ, Move
from controller.settings import Settings
from hostsim.named import replacing

Values = NDArray[np.float64]

INK = "#22272e"
FAINT = "#8b949e"
RULE = "#dfe3e8"
BLUE = "#1f4e8c"
ORANGE = "#d9730d"
TEAL = "#2a9d8f"
PINK = "#b3437f"
SKY = "#8fc1e3"
SAND = "#f2e3c6"

STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "text.color": INK,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "grid.color": RULE,
    "grid.linewidth": 0.7,
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "lines.linewidth": 1.8,
    "lines.solid_capstyle": "round",
    "legend.frameon": False,
    "figure.facecolor": "white",
    "svg.hashsalt": "tallywheel",  # the same picture gives the same file
}

# A legend that lines run behind is still legible with this.
BACKED: dict[str, Any] = {"frameon": True, "framealpha": 0.9, "edgecolor": "none"}

MOMENTS = 600  # points along a curve: more than a screen column each
RELEASES_SHOWN_MAX = 60  # more would run into one another
WINDOW_STEPS_MIN = 8  # steps on either side of a moment that a fit needs at least
WINDOW_S = 0.006  # and the time it spans on either side where steps are dense


def save(figure: Figure, path: Path) -> None:
    """Write the picture as .svg or .png, with neither date nor version, to be compared."""
    unnamed = {"Date": None, "Creator": None} if path.suffix == ".svg" else {"Software": None}
    with replacing(path) as new:
        figure.savefig(new, format=path.suffix[1:], dpi=160, metadata=unnamed)


def step_times_s(move: Move) -> Values:
    """Time of each step from the start of the move, s; the first entry is the start itself."""
    counts, ticks = np.array(list(move.pairs()), dtype=np.int64).T
    return np.concatenate(([0], np.cumsum(np.repeat(ticks, counts)))) / TICK_HZ


def motion(times_s: Values, at_s: Values) -> tuple[Values, Values, Values]:
    """Position (steps), speed (steps/s) and acceleration (steps/s2) at `at_s`.

    `times_s[i]` is when step i is made; the moments lie within it.
    """
    results = np.empty((3, len(at_s)))
    for column, moment in enumerate(at_s):
        first = np.searchsorted(times_s, moment - WINDOW_S)
        last = np.searchsorted(times_s, moment + WINDOW_S)
        here = np.searchsorted(times_s, moment)
        first = max(0, min(first, here - WINDOW_STEPS_MIN))
        last = min(len(times_s), max(last, here + WINDOW_STEPS_MIN))
        offsets = times_s[first:last] - moment
        scale = np.abs(offsets).max() or 1.0
        degree = min(3, last - first - 1)
        fit = np.polynomial.polynomial.polyfit(offsets / scale, np.arange(first, last), degree)
        fit = np.concatenate((fit, np.zeros(3 - degree)))
        results[:, column] = fit[0], fit[1] / scale, 2 * fit[2] / scale**2
    return results[0], results[1], results[2]


def headline(figure: Figure, text: str) -> None:
    """What the picture says, in one line over all of it."""
    figure.suptitle(text, x=0.01, ha="left", fontsize=12, fontweight="bold")


def limit_line(axes: Axes, value: float, text: str) -> None:
    """Draw a limit as a dashed line with its name on it."""
    axes.axhline(value, color=FAINT, linestyle=(0, (5, 3)), linewidth=1, zorder=1.5)
    axes.annotate(
        text,
        (1, value),
        (-3, 2 if value > 0 else -2),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        ha="right",
        va="bottom" if value > 0 else "top",
        color=FAINT,
        fontsize=8,
    )


def plot_plan(settings: Settings, move: Move, pockets: int, path: Path) -> None:
    """Draw the run over `pockets` pockets to `path`: position, speed, acceleration over time."""
    steps_per_rev = settings.motor_full_steps * settings.motor_microsteps
    times_s = step_times_s(move)
    at_s = np.linspace(0, times_s[-1], MOMENTS)
    position, speed, acceleration = motion(times_s, at_s)
    with rc_context(STYLE):
        figure = Figure(figsize=(8, 6), layout="constrained")
        places, speeds, accelerations = figure.subplots(3, 1, sharex=True)
        headline(
            figure,
            f"{settings.name}: {pockets} pocket{'s' * (pockets > 1)} in {times_s[-1]:.3f} s, "
            f"{move.steps} steps",
        )
        places.plot(at_s, position * pockets / move.steps, color=BLUE)
        if pockets <= RELEASES_SHOWN_MAX:
            releases = np.arange(pockets) + 0.5
            released_s = times_s[np.round(releases * move.steps / pockets).astype(int)]
            places.plot(released_s, releases, "o", color=BLUE, ms=4, label="a pocket lets go")
            places.legend(loc="upper left")
        places.set_ylabel("position\n(pockets)")
        speeds.plot(at_s, speed / steps_per_rev, color=ORANGE)
        speeds.set_ylabel("motor speed\n(rev/s)")
        top = settings.limit_velocity_steps_s / steps_per_rev
        limit_line(speeds, top, f"limit {top:.3g} rev/s")
        speeds.set_ylim(0, 1.18 * top)
        accelerations.plot(at_s, acceleration / steps_per_rev, color=TEAL)
        accelerations.set_ylabel("acceleration\n(rev/s²)")
        top = settings.limit_acceleration_steps_s2 / steps_per_rev
        limit_line(accelerations, top, f"limit {top:.3g} rev/s²")
        limit_line(accelerations, -top, "")
        accelerations.set_ylim(-1.3 * top, 1.3 * top)
        accelerations.set_xlabel("time (s)")
        accelerations.set_xlim(0, 1.01 * times_s[-1])
        figure.align_ylabels()
        save(figure, path)
