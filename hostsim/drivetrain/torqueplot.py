"""The drive as a picture: what the motor has over speed, and what a run asks it for."""

from pathlib import Path

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from hostsim.config import ModuleConfig
from hostsim.drivetrain.drive import Drive
from hostsim.drivetrain.load import ramp_rev_s2
from hostsim.drivetrain.margin import MARGIN
from hostsim.drivetrain.motor import pull_out_n_m
from hostsim.plots import BACKED, BLUE, FAINT, INK, ORANGE, SAND, SKY, STYLE, TEAL, headline, save

SPEEDS = 150
BEYOND = 1.15  # how far the picture goes on after the last thing in it


def plot_drive(config: ModuleConfig, drive: Drive, path: Path) -> None:
    """Draw pull-out torque and demand over the motor's speed to `path`, .svg or .png."""
    with rc_context(STYLE):
        figure = Figure(figsize=(9.5, 4.2), layout="constrained")
        whole, near = figure.subplots(1, 2, width_ratios=(3, 2))
        headline(
            figure,
            f"{config.settings.name}: the motor has {drive.margin:.1f} times what a run asks for",
        )
        _draw_whole(whole, config, drive)
        _draw_run(near, config, drive)
        save(figure, path)


def _draw_whole(axes: Axes, config: ModuleConfig, drive: Drive) -> None:
    limits = config.values["limits"]
    marks = [
        (limits["velocity_rev_s"], "cruise", INK),
        (drive.start_stop_limit_rev_s, "start without a ramp, at best", TEAL),
        (drive.velocity_limit_rev_s, f"limit with a margin of {MARGIN:g}", BLUE),
    ]
    speeds = np.linspace(0, BEYOND * max(speed for speed, _, _ in marks), SPEEDS)
    torque = 1e3 * pull_out_n_m(config.values["motor"], speeds)
    axes.fill_between(speeds, torque / MARGIN, torque, color=SKY, alpha=0.35, linewidth=0)
    axes.plot(speeds, torque, color=BLUE, label="pull-out torque")
    axes.plot(speeds, torque / MARGIN, color=BLUE, linewidth=1, linestyle=(0, (4, 2)),
              label=f"the same over {MARGIN:g}")  # fmt: skip
    ramp, asked = _asked_mn_m(config, drive, 1)
    axes.plot(ramp, asked, color=ORANGE, label="asked for by a run")
    axes.set_ylim(0, 1.55 * float(max(torque.max(), asked.max())))
    axes.set_xlim(0, speeds[-1])
    for row, (speed, name, colour) in enumerate(marks):
        height = 0.98 - 0.08 * row  # each on a line of its own, however near the speeds are
        axes.axvline(speed, ymax=height, color=colour, linewidth=1, linestyle=(0, (1, 2)))
        right = speed > speeds[-1] / 2
        axes.annotate(
            f"{speed:.3g} rev/s: {name}",
            (speed, height),
            (-3 if right else 3, 0),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            ha="right" if right else "left",
            va="top",
            fontsize=8,
            color=colour,
        )
    axes.legend(loc="lower right", **BACKED)
    axes.set_xlabel("motor speed (rev/s)")
    axes.set_ylabel("torque at the motor (mN m)")


def _draw_run(axes: Axes, config: ModuleConfig, drive: Drive) -> None:
    ramp, up = _asked_mn_m(config, drive, 1)
    _, down = _asked_mn_m(config, drive, -1)
    train, friction = 1e3 * drive.load.running_n_m, 1e3 * drive.load.friction_n_m
    axes.fill_between(ramp, 0, train, color=SAND, linewidth=0, label="friction of the train")
    axes.fill_between(ramp, train, friction, color=FAINT, linewidth=0, label="parts that rub")
    axes.plot(ramp, up, color=ORANGE, label="speeding up")
    axes.plot(ramp, down, color=ORANGE, linestyle=(0, (4, 2)), label="slowing down")
    low = min(0.0, 1.1 * float(down.min()))
    axes.set_ylim(low, 1.6 * float(up.max()))
    axes.set_xlim(0, ramp[-1])
    axes.legend(loc="upper left", ncols=2)
    axes.set_xlabel("motor speed in a run (rev/s)")
    axes.set_ylabel("torque in a run (mN m)")


def _asked_mn_m(config: ModuleConfig, drive: Drive, sign: int) -> tuple[np.ndarray, np.ndarray]:
    """Speeds in rev/s of a run and the torque at them, speeding up (1) or slowing down (-1)."""
    limits = config.values["limits"]
    speeds = np.linspace(0, limits["velocity_rev_s"], SPEEDS)
    ramp = ramp_rev_s2(
        speeds, limits["velocity_rev_s"], limits["acceleration_rev_s2"], limits["jerk_rev_s3"]
    )
    return speeds, 1e3 * drive.load.asked_n_m(sign * ramp)
