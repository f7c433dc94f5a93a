"""The joint as a picture: the steps of many joints, as described and located in other ways."""

from pathlib import Path
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure

from hostsim.config import ModuleConfig
from hostsim.joints.joint import TRIALS, Joint, steps_mm
from hostsim.plots import BLUE, FAINT, INK, ORANGE, STYLE, TEAL, headline, save

BINS = 90
WAYS: tuple[tuple[str, dict[str, Any], str], ...] = (
    ("bolts", {"located_by": "bolts"}, ORANGE),
    ("pins in printed holes", {"located_by": "pins", "pin_holes": "printed"}, TEAL),
    ("pins in reamed holes", {"located_by": "pins", "pin_holes": "reamed"}, BLUE),
)


def plot_joint(config: ModuleConfig, joint: Joint, path: Path) -> None:
    """Draw how large a step joints have, by what locates them, to `path`, .svg or .png."""
    stated = config.values["joint"]
    steps = {name: steps_mm({**stated, **keys}, TRIALS) for name, keys, _ in WAYS}
    most = max(joint.worst_mm, joint.allowed_mm, *(float(step.max()) for step in steps.values()))
    edges = np.linspace(0, 1.05 * most, BINS + 1)
    with rc_context(STYLE):
        figure = Figure(figsize=(8, 4.2), layout="constrained")
        axes = figure.subplots()
        headline(figure, f"{config.settings.name}: steps at the joint of magazine and feeder")
        tallest = 0.0
        for name, keys, colour in WAYS:
            own = all(stated[key] == value for key, value in keys.items())
            counts = np.histogram(steps[name], edges)[0] / TRIALS * 100
            tallest = max(tallest, float(counts.max()))
            caught = 100 * float(np.mean(steps[name] > joint.allowed_mm))
            label = f"{name}{', as described' if own else ''}: {caught:.3g} % catch"
            axes.stairs(counts, edges, color=colour, linewidth=2 if own else 1.2, label=label)
            if own:
                axes.stairs(counts, edges, color=colour, fill=True, alpha=0.15)
        for at, name, colour, height in (
            (joint.allowed_mm, "allowed", INK, 1.0),
            (joint.rss_mm, "root sum square", FAINT, 0.93),
            (joint.worst_mm, "worst case", FAINT, 0.86),
        ):
            axes.axvline(at, color=colour, linewidth=1, linestyle=(0, (5, 3)), ymax=height * 0.8)
            right = at > 0.8 * edges[-1]
            axes.annotate(
                f"{name} {at:.2f} mm",
                (at, height * 1.06 * tallest),
                (-3 if right else 3, 0),
                textcoords="offset points",
                ha="right" if right else "left",
                fontsize=8,
                color=colour,
                va="top",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
            )
        axes.set_ylim(0, 1.35 * tallest)
        axes.set_xlim(0, edges[-1])
        axes.legend(loc="upper right")
        axes.set_xlabel("step that a part meets (mm)")
        axes.set_ylabel("joints (%)")
        save(figure, path)
