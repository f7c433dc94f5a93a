"""One joint: the chain of errors from one channel to the other, and the step that they make.

Theory of operation
-------------------
What locates the two sides (bolts or pins) has play, and each channel is off from its own holes by
what the printer does.  Along one axis the offset is a sum

    offset = print error of one side + of the other + play of the first side + of the second

and a part that comes down the channel meets it as a step, on one side or the other, along both
axes, made deeper by the lines between the printed layers.  Three answers are given:

- worst case: all errors at their bounds, added up;
- root sum square: sqrt of the sum of their squares, what a drawing office expects;
- Monte Carlo: print errors uniform within their tolerance, hole and pin diameters uniform within
  their limits, the play taken up anywhere within its circle; the worse of the two axes counts.

Bolts: both sides have a clearance hole (ISO 273), so each may be off by half of hole minus bolt.
Pins: pressed into one side, so they have no play there; in the other one the hole is reamed H7
(ISO 286), or printed to the nominal size within the print tolerance.  A hole smaller than its pin
has no play.

A leading part catches at a step that is larger than a sharp edge lets pass, or than the chamfer
that leads it in.  (Common practice, no source: less than 0.1 mm already stops the first part of a
train that is pushed; the lines of an FDM print are a third of the layer height deep; bolts are no
locating features, and an 8 mm dowel pin with snap fits is.)
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hostsim.joints import fits

Floats = NDArray[np.float64]

SHARP_MM = 0.1  # a larger step stops the leading part
LAYER_DEPTH = 1 / 3  # of the layer height
TRIALS = 50_000
SEED = 1
NEARLY_ALL = 0.999


@dataclass(frozen=True)
class Joint:
    """The step to be expected at a joint. Lengths in mm."""

    located_by: str
    errors_mm: dict[str, float]  # name -> bound, either way, along one axis
    lines_mm: float
    allowed_mm: float
    worst_mm: float
    rss_mm: float
    nearly_all_mm: float  # of 1000 joints one is worse
    catching: float  # share of joints at which a part catches


def measure(values: Mapping[str, Any]) -> Joint | None:
    """The joint that a module description states; None where it states none."""
    joint = values["joint"]
    if joint["located_by"] == "none":
        return None
    errors = _errors_mm(joint)
    lines = joint["layer_mm"] * LAYER_DEPTH
    allowed = max(SHARP_MM, joint["chamfer_mm"])
    steps = steps_mm(joint, TRIALS)
    return Joint(
        located_by=joint["located_by"],
        errors_mm=errors,
        lines_mm=lines,
        allowed_mm=allowed,
        worst_mm=sum(errors.values()) + lines,
        rss_mm=math.sqrt(sum(bound**2 for bound in errors.values())) + lines,
        nearly_all_mm=float(np.quantile(steps, NEARLY_ALL)),
        catching=float(np.mean(steps > allowed)),
    )


def _errors_mm(joint: Mapping[str, Any]) -> dict[str, float]:
    """Bounds of the errors along one axis."""
    printed = joint["print_tolerance_mm"]
    errors = {"print, one side": printed, "print, other side": printed}
    if joint["located_by"] == "bolts":
        largest = fits.clearance_hole_mm(joint["bolt_mm"], joint["bolt_holes"])[1]
        play = (largest - joint["bolt_mm"]) / 2
        return errors | {"bolts, one side": play, "bolts, other side": play}
    hole = _pin_hole_mm(joint)[1]
    return errors | {"pins": max(0.0, hole - fits.pin_limits_mm(joint["pin_mm"])[0]) / 2}


def _pin_hole_mm(joint: Mapping[str, Any]) -> tuple[float, float]:
    pin, printed = joint["pin_mm"], joint["print_tolerance_mm"]
    if joint["pin_holes"] == "reamed":
        return fits.reamed_hole_mm(pin)
    return pin - printed, pin + printed


def steps_mm(joint: Mapping[str, Any], trials: int, seed: int = SEED) -> Floats:
    """Steps of joints drawn by chance, of the section [joint]; the same seed, the same steps."""
    rng = np.random.default_rng(seed)
    printed = joint["print_tolerance_mm"]
    offsets = rng.uniform(-printed, printed, (2, trials, 2)).sum(axis=0)
    if joint["located_by"] == "bolts":
        limits = fits.clearance_hole_mm(joint["bolt_mm"], joint["bolt_holes"])
        for _ in range(2):
            plays = (rng.uniform(*limits, trials) - joint["bolt_mm"]) / 2
            offsets += _anywhere(rng, plays)
    else:
        holes = rng.uniform(*_pin_hole_mm(joint), trials)
        pins = rng.uniform(*fits.pin_limits_mm(joint["pin_mm"]), trials)
        offsets += _anywhere(rng, np.maximum(holes - pins, 0.0) / 2)
    return np.asarray(np.abs(offsets).max(axis=1) + joint["layer_mm"] * LAYER_DEPTH)


def _anywhere(rng: np.random.Generator, radii: Floats) -> Floats:
    """Points uniform in circles of these radii: (n, 2)."""
    away = radii * np.sqrt(rng.random(len(radii)))
    angle = rng.uniform(0, 2 * np.pi, len(radii))
    return np.stack((away * np.cos(angle), away * np.sin(angle)), axis=1)
