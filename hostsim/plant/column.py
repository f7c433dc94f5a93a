"""The column of parts above the sprocket, part by part: what it weighs down with, what that costs.

Theory of operation
-------------------
Each part is a body on a slope with a load on its back. What pulls it down the slope, less the
friction of the floor, and what the part above hands on, it hands to the part below, except for what
its side walls take: they are pressed by a share of the mean push along its flanks. The last part
hands its push to the sprocket, where it rubs; so do the parts that are carried around.
"""

import math
from collections.abc import Mapping
from typing import Any

G_M_S2 = 9.80665
SLICES = 20  # of a part: its walls take their share bit by bit
MESH_LOSS = 0.05  # of the torque, in each pair of gears


def slope_share(friction: float, incline_deg: float) -> float:
    """What part of gravity drives a body down a slope: sin(b - f) / cos f, tan f = friction."""
    angle = math.atan(friction)
    return max(0.0, math.sin(math.radians(incline_deg) - angle) / math.cos(angle))


def push_n(values: Mapping[str, Any], pitch_m: float) -> float:
    """Push of a full column, parts `pitch_m` apart, on the sprocket."""
    part, magazine = values["part"], values["magazine"]
    friction = magazine["friction"]
    own_n = part["mass_g"] / 1e3 * G_M_S2 * slope_share(friction, magazine["incline_deg"])
    # What a slice presses on its four flanks, as a share of what it presses on the next slice.
    wide_m, thick_m = part["longest_mm"] / 1e3, part["shortest_mm"] / 1e3
    flanks_share = 2 * pitch_m / SLICES * (1 / wide_m + 1 / thick_m)
    taken = friction * magazine["side_pressure"] * flanks_share
    push = magazine["push_n"]
    for _ in range(round(magazine["height_mm"] / 1e3 / pitch_m) * SLICES):
        # The mean of the push above and below presses the walls.
        push = (push * (1 - taken / 2) + own_n / SLICES) / (1 + taken / 2)
    return float(max(push, 0.0))


def column_n_m(values: Mapping[str, Any], pitch_m: float) -> float:
    """Torque of the column and of what the sprocket carries, at the motor shaft.

    0.0 for a description that does not tell the shape of its magazine.
    """
    if "height_mm" not in values["magazine"]:
        return 0.0
    sprocket, magazine = values["sprocket"], values["magazine"]
    carried_n = sprocket["pockets"] * values["part"]["mass_g"] / 1e3 * G_M_S2
    torque = (push_n(values, pitch_m) + carried_n) * magazine["friction"]
    torque *= sprocket["pitch_radius_mm"] / 1e3
    for driver, driven in values["gear"]["stages"]:
        torque *= driver / driven * (1 + MESH_LOSS)
    return float(torque)
