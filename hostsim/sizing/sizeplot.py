"""The picture of `tallywheel size --plot`: all designs compared, and what bounds the best of each.

On the left every design is a mark: how wide its housing is, how fast it runs, and by its shape and
colour what binds it.  On the right the limits of the best design of each number of pockets; a
module is run a twentieth below the lowest.  Colours and style are those of `hostsim.plots`.
"""

from pathlib import Path

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from hostsim.plots import BACKED, BLUE, FAINT, INK, ORANGE, PINK, STYLE, TEAL, headline, save
from hostsim.sizing.search import Found

LOOKS = {  # limit -> colour, mark
    "motor": (PINK, "D"),
    "refill": (TEAL, "s"),
    "separation": (BLUE, "o"),
    "lash": (ORANGE, "^"),
}
NEAR = (0.09, 0.05)  # marks so close share a label: of the width and the height that marks cover
LABEL_ROOM = 0.16  # of the width that marks cover, to their right: a label of three numbers
PLATE = {"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none", "alpha": 0.6}
ROOM = 1.7  # times the fastest rate is shown; a limit above that does not matter


def plot(found: Found, path: Path) -> None:
    """Draw to `path` (.svg or .png)."""
    best, part = found.best, found.wanted.part
    with rc_context(STYLE):
        figure = Figure(figsize=(10, 4.6), layout="constrained")
        designs, limits = figure.subplots(1, 2, width_ratios=(5, 4))
        headline(
            figure,
            f"{part.designation}: {len(found.designs)} designs; best {best.wheel.pockets} pockets,"
            f" {best.width_mm:.1f} mm wide, {best.rate:.1f} parts/s",
        )
        draw_designs(designs, found)
        draw_limits(limits, found)
        save(figure, path)


def draw_designs(axes: Axes, found: Found) -> None:
    """Rate over width, a mark for each design, the number of pockets at the best of each."""
    for name, (colour, mark) in LOOKS.items():
        bound = [each for each in found.designs if each.limits.binding == name]
        if bound:
            axes.plot(
                [each.width_mm for each in bound],
                [each.rate for each in bound],
                mark, color=colour, alpha=0.55, ms=5, mew=0, label=f"{name} binds",
            )  # fmt: skip
    for at, numbers in named(found).items():
        axes.annotate(
            ", ".join(numbers), at, (8, 3), textcoords="offset points", fontsize=8, color=INK,
            bbox=PLATE,
        )  # fmt: skip
    best = found.best
    axes.plot([best.width_mm], [best.rate], "o", ms=13, mfc="none", mec=INK, mew=1.4, label="best")
    axes.set_xlabel("width of the housing (mm); the numbers are pockets")
    axes.set_ylabel("rate (parts/s)")
    low = min(each.rate for each in found.designs)
    high = max(each.rate for each in found.designs)
    margin = max(0.12 * (high - low), 0.05 * high)
    axes.set_ylim(low - margin, high + 2 * margin)
    widths = [each.width_mm for each in found.designs]
    axes.set_xlim(right=max(widths) + LABEL_ROOM * max(_span(widths), 1.0))
    axes.legend(loc="best", fontsize=8, **BACKED)


def named(found: Found) -> dict[tuple[float, float], list[str]]:
    """The places of the best of each number of pockets, and the numbers that share a place."""
    places: dict[tuple[float, float], list[str]] = {}
    shown = sorted(found.by_pockets(), key=lambda each: each.wheel.pockets)
    near_mm = NEAR[0] * _span([each.width_mm for each in found.designs])
    near_rate = NEAR[1] * _span([each.rate for each in found.designs])
    for each in shown:
        near = (
            at for at in places
            if abs(at[0] - each.width_mm) <= near_mm and abs(at[1] - each.rate) <= near_rate
        )  # fmt: skip
        at = next(near, (each.width_mm, each.rate))
        places.setdefault(at, []).append(str(each.wheel.pockets))
    return places


def _span(values: list[float]) -> float:
    return max(values) - min(values)


def draw_limits(axes: Axes, found: Found) -> None:
    """The four limits over the number of pockets, and the rate that is run."""
    shown = sorted(found.by_pockets(), key=lambda each: each.wheel.pockets)
    pockets = [each.wheel.pockets for each in shown]
    top = ROOM * max(each.rate for each in shown)
    for name, (colour, mark) in LOOKS.items():
        rates = [getattr(each.limits, name) for each in shown]
        beyond = min(rates) > top
        label = f"{name} (above {min(rates):.0f})" if beyond else name
        axes.plot(pockets, rates, mark + "-", color=colour, ms=4, lw=1.4, label=label)
    axes.bar(
        pockets, [each.rate for each in shown], width=0.6, color=FAINT, alpha=0.35, label="run at"
    )
    axes.set_ylim(0, top)
    axes.set_xlim(pockets[0] - 0.7, pockets[-1] + 0.7)
    axes.set_xlabel("pockets (the best design of each)")
    axes.set_ylabel("limit (parts/s)")
    axes.xaxis.set_major_locator(MaxNLocator(integer=True, min_n_ticks=1))
    axes.grid(visible=False, axis="x")
    # Above the axes: a limit may run anywhere in them.
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=3, fontsize=8, frameon=False)
