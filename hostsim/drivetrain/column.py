"""The column of parts: how hard it pushes on the sprocket.

Theory of operation
-------------------
The parts lean on each other down a channel.  Of each one's weight, what the incline leaves after
the friction of the floor pushes on.  The side walls carry more of it the harder the push is: they
are pressed by a share K of it and rub with the coefficient mu.  For a slice dx of the column, with
weight w per length, cross-section A and perimeter U,

    dF/dx = w (sin b - mu cos b) - F / s,      s = A / (mu K U)

so that the push saturates: F(x) = F_end (1 - exp(-x/s)) + F_0 exp(-x/s), F_end = w (sin b - mu cos
b) s, with F_0 what a follower presses on the last part.  For an upright round bin, U/A = 4/D, this
is the law of Janssen (1895), known from every text on silos.

Steeper than the angle of friction, the column slides; flatter, it does not move by itself, and only
a follower keeps it coming.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

G_M_S2 = 9.80665  # standard gravity, exact by definition (CGPM 1901)
HEAD_SHARE = 1.8  # ISO 4762: the head of an M4 is 7.22 mm, 1.8 times its thread


def saturated_n(
    weight_n_m: float, saturation_m: float, length_m: float, pressed_n: float = 0.0
) -> float:
    """Push at the end of a column: `weight_n_m` of it counts per metre, walls carry the rest.

    `saturation_m` is the length after which 63 % of the final push is reached; inf without walls.
    """
    if math.isinf(saturation_m):
        return weight_n_m * length_m + pressed_n
    left = math.exp(-length_m / saturation_m)
    return weight_n_m * saturation_m * (1 - left) + pressed_n * left


@dataclass(frozen=True)
class Column:
    """A full magazine above the sprocket. Lengths in m, forces in N."""

    pitch_m: float  # from part to part
    parts: float
    slide_m_s2: float  # what drives a free part on; not above 0: it does not slide by itself
    walls_per_m: float  # share of the push that the walls take on a metre: 1 / s, 0 without walls
    push_n: float
    wall_free_n: float  # had the side walls carried nothing

    @classmethod
    def of(cls, values: Mapping[str, Any]) -> "Column":
        """Take a module description, `values[section][key]`."""
        part, magazine = values["part"], values["magazine"]
        pitch_m = pitch_mm(values) / 1e3
        incline = math.radians(magazine["incline_deg"])
        friction, share = magazine["friction"], magazine["side_pressure"]
        slide = G_M_S2 * (math.sin(incline) - friction * math.cos(incline))
        wide_m, thick_m = part["longest_mm"] / 1e3, part["shortest_mm"] / 1e3
        radius_m = wide_m * thick_m / (2 * (wide_m + thick_m))  # of the channel: area to perimeter
        walls_per_m = friction * share / radius_m
        saturation_m = 1 / walls_per_m if walls_per_m else math.inf
        weight_n_m = part["mass_g"] / 1e3 / pitch_m * max(slide, 0.0)
        length_m, pressed_n = magazine["height_mm"] / 1e3, magazine["push_n"]
        return cls(
            pitch_m=pitch_m,
            parts=length_m / pitch_m,
            slide_m_s2=slide,
            walls_per_m=walls_per_m,
            push_n=saturated_n(weight_n_m, saturation_m, length_m, pressed_n),
            wall_free_n=saturated_n(weight_n_m, math.inf, length_m, pressed_n),
        )


def pitch_mm(values: Mapping[str, Any]) -> float:
    """From part to part in the channel: rings lie flat, rim to rim; headed parts hang in a rail."""
    part = values["part"]
    if values["magazine"]["pitch_mm"]:
        return float(values["magazine"]["pitch_mm"])
    if part["hole_mm"]:
        return float(part["longest_mm"])
    return float(min(part["longest_mm"], HEAD_SHARE * part["shortest_mm"]))
