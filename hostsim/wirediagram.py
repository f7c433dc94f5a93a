"""The timing diagram of the hard-wired hand-shake, drawn from a run of the simulated module.

    python -m hostsim.wirediagram [OUT.svg]

Theory of operation
-------------------
`rehearse` lets a robot and an operator play three scenes at one module: a give that is answered by
done, one that the guard cuts short, and one that the robot takes back before its answer.  What the
wires did is read off the module's log, what the hand-shake made of it off the firmware's notes, and
when parts fell off the plant's ledger; nothing in the picture is drawn as it ought to be.
"""

import argparse
import sys
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from controller.board.ports import OUT_DONE, OUT_FAULT, OUT_READY
from controller.record import events
from controller.settings import Settings
from hostsim.client import DispenserClient
from hostsim.config import load
from hostsim.draw import PICTURES
from hostsim.links import SimLink
from hostsim.module import SimModule
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
    save,
)
from hostsim.robot import WiredRobot
from hostsim.timeplot import draw_bands
from hostsim.words import WirePhase

CONFIG = Path(__file__).resolve().parent.parent / "configs" / "m4_nut.toml"
QUANTITY = 6
PAUSE_US = 400_000  # between two things that robot or operator do: wide enough to be named

WAVES = ("give", "ready", "done", "fault")
BITS = {"ready": OUT_READY, "done": OUT_DONE, "fault": OUT_FAULT}
COLOURS = {"give": BLUE, "ready": TEAL, "done": INK, "fault": PINK}
PHASE_COLOURS = {
    WirePhase.START: RULE,
    WirePhase.IDLE: RULE,
    WirePhase.READY: "#cfe8e4",
    WirePhase.BUSY: SKY,
    WirePhase.LEFT: SAND,
    WirePhase.UNMET: "#f3b27a",
    WirePhase.DONE: "#7fc4ba",
    WirePhase.FAULT: "#e8a3c4",
}
ROW = 1.5  # height of a wave's row; the wave itself takes 1
HEADROOM = 0.5  # for two lines of a remark


@dataclass
class Rehearsal:
    """What was seen. Times are in us of the simulated clock."""

    begin_us: int = 0
    end_us: int = 0
    waves: dict[str, list[tuple[int, int]]] = field(default_factory=dict)  # changes: (time, level)
    phases: list[tuple[int, WirePhase]] = field(default_factory=list)
    parts_us: list[int] = field(default_factory=list)
    remarks: list[tuple[int, str]] = field(default_factory=list)

    def second(self, time_us: int) -> float:
        """Time since the beginning, s."""
        return (time_us - self.begin_us) / 1e6


def rehearse() -> Rehearsal:
    """Play the three scenes."""
    config = load(CONFIG)
    settings = Settings(config.settings.as_dict() | {"wires_quantity": QUANTITY})
    with SimModule(replace(config, settings=settings)) as module:
        robot = WiredRobot(module)
        operator = DispenserClient(SimLink(module))
        seen = Rehearsal()

        def remark(text: str) -> None:
            seen.remarks.append((module.now_us, text))

        operator.make_ready()
        seen.begin_us = module.now_us
        robot.pause(PAUSE_US)
        remark("operator gives\nthe command back")
        operator.release()
        robot.pause(PAUSE_US)
        module.plant.give(True)
        robot.wait(lambda outputs: outputs == OUT_DONE)
        robot.pause(PAUSE_US)
        robot.lower()
        robot.pause(PAUSE_US)
        module.plant.give(True)
        robot.pause(PAUSE_US)
        remark("guard opens")
        module.plant.guard(False)
        robot.wait(lambda outputs: outputs == OUT_FAULT)
        robot.pause(PAUSE_US)
        robot.lower()
        robot.pause(PAUSE_US)
        module.plant.guard(True)
        operator.lock()
        operator.make_ready()
        remark("guard shut,\nstarted anew")
        operator.release()
        robot.pause(PAUSE_US)
        module.plant.give(True)
        robot.pause(PAUSE_US // 2)
        remark("robot gives up")
        module.plant.give(False)
        robot.wait(lambda outputs: outputs == OUT_FAULT)
        robot.pause(PAUSE_US)
        remark("and has looked")
        module.plant.give(True)
        robot.pause(PAUSE_US)
        robot.lower()
        robot.pause(PAUSE_US)
        _read(module, seen)
        return seen


def _read(module: SimModule, seen: Rehearsal) -> None:
    """Take down what the module's log, notes and ledger tell."""
    seen.end_us = module.now_us
    waves: dict[str, list[tuple[int, int]]] = {name: [(0, 0)] for name in WAVES}
    for time_us, text in module.log.entries:
        word, _, value = text.partition(" ")
        if word == "give":
            waves["give"].append((time_us, int(value == "high")))
        elif word == "outputs":
            for name, bit in BITS.items():
                level = int(int(value, 2) & bit != 0)
                if level != waves[name][-1][1]:
                    waves[name].append((time_us, level))
    seen.waves = waves
    seen.phases = [
        (time_us, WirePhase(phase))
        for time_us, kind, phase, _ in module.notes
        if kind == events.WIRES
    ]
    seen.parts_us = list(module.plant.truth.passed_us)


def draw(seen: Rehearsal, path: Path) -> None:
    """Draw the diagram to `path` (.svg or .png)."""
    with rc_context(STYLE):
        figure = Figure(figsize=(11, 4.6), layout="constrained")
        heights = {"height_ratios": (5.4, 0.6)}
        waves, bands = figure.subplots(2, 1, sharex=True, gridspec_kw=heights)
        headline(
            figure,
            f"Hard-wired hand-shake, {QUANTITY} parts for each give: done, a fault, and a give "
            "taken back",
        )
        draw_waves(waves, seen)
        draw_phases(bands, seen)
        bands.set_xlabel("time (s)")
        bands.set_xlim(0, seen.second(seen.end_us))
        figure.align_ylabels()
        save(figure, path)


def draw_waves(axes: Axes, seen: Rehearsal) -> None:
    """The four wires one above the other, the parts below, and what robot and operator did."""
    names = (*WAVES, "parts")
    rows = {name: ROW * (len(names) - 1 - place) for place, name in enumerate(names)}
    for name, changes in seen.waves.items():
        times = [max(0.0, seen.second(time_us)) for time_us, _ in changes]
        levels = [rows[name] + level for _, level in changes]
        end = (seen.second(seen.end_us), levels[-1])
        axes.step([*times, end[0]], [*levels, end[1]], where="post", color=COLOURS[name])
        axes.fill_between(
            [*times, end[0]], [*levels, end[1]], rows[name], step="post",
            color=COLOURS[name], alpha=0.12, linewidth=0,
        )  # fmt: skip
    parts_s = [seen.second(time_us) for time_us in seen.parts_us]
    axes.plot(parts_s, [rows["parts"] + 0.4] * len(parts_s), "o", color=ORANGE, ms=4)
    for time_us, text in seen.remarks:
        at_s = seen.second(time_us)
        axes.axvline(at_s, color=FAINT, linestyle=(0, (2, 2)), linewidth=0.9)
        axes.annotate(
            text, (at_s, ROW * len(names) + HEADROOM), (3, 0), textcoords="offset points",
            va="top", fontsize=8, color=INK,
        )  # fmt: skip
    axes.set_yticks([rows[name] + 0.45 for name in names], names)
    axes.tick_params(axis="y", length=0, labelsize=10)
    axes.set_ylim(-0.2, ROW * len(names) + HEADROOM)
    axes.grid(visible=False, axis="y")


def draw_phases(axes: Axes, seen: Rehearsal) -> None:
    """The phases of the hand-shake as bands."""
    ends = [*seen.phases, (seen.end_us, WirePhase.IDLE)]
    bands = [
        (max(0.0, seen.second(begin_us)), seen.second(end_us), phase)
        for (begin_us, phase), (end_us, _) in pairwise(ends)
        if end_us > max(begin_us, seen.begin_us)
    ]
    axes.set_ylim(0, 1)
    axes.set_yticks((0.5,), ("phase",))
    axes.tick_params(axis="y", length=0, labelsize=10)
    axes.grid(visible=False)
    draw_bands(axes, 0, bands, PHASE_COLOURS)


def main(arguments: list[str]) -> int:
    """Write the diagram; return the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m hostsim.wirediagram",
        description="Draw the hard-wired hand-shake as a timing diagram, from a simulated run.",
    )
    parser.add_argument(
        "path",
        type=Path,
        nargs="?",
        default=PICTURES / "hand-shake.svg",
        metavar="OUT",
        help="file to write, .svg or .png (default: the one in hostsim/pictures)",
    )
    path = parser.parse_args(arguments).path
    try:
        draw(rehearse(), path)
    except OSError as error:
        print(f"can't write the diagram: {error}; choose another OUT", file=sys.stderr)
        return 1
    print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
