"""The least time in which any controller could serve a request, worked out from outside.

The wheel has to turn by the quantity's pockets, from rest to rest: Ruckig (Berscheid and Kroeger,
RSS 2021) says how long that takes at least within the limits of the module description.  The last
part has to fall past the beam: h = g t^2 / 2, from rest, for the drop and the longest extent of the
part behind it.  Nothing of the firmware or of the plant is used.
"""

import math
from fractions import Fraction
from typing import Any

import ruckig

G_M_S2 = 9.80665  # standard gravity (CGPM 1901)


def run_s(values: dict[str, Any], pockets: float) -> float:
    """Least duration of a move over `pockets`, from rest to rest.

    `values` are those of a module description, in the units people write.
    """
    turns = Fraction(pockets) / values["sprocket"]["pockets"]
    for driver, driven in values["gear"]["stages"]:
        turns *= Fraction(driven, driver)
    limits = values["limits"]
    goal = ruckig.InputParameter(1)
    goal.current_position, goal.target_position = [0.0], [float(turns)]
    goal.max_velocity = [limits["velocity_rev_s"]]
    goal.max_acceleration = [limits["acceleration_rev_s2"]]
    goal.max_jerk = [limits["jerk_rev_s3"] or math.inf]
    trajectory = ruckig.Trajectory(1)
    if ruckig.Ruckig(1).calculate(goal, trajectory) != ruckig.Result.Working:
        raise ValueError(f"ruckig finds no way over {pockets} pockets")
    return float(trajectory.duration)


def longest_fall_s(values: dict[str, Any]) -> float:
    """Time until a part let go at rest has passed the beam with its upper end."""
    way_m = (values["beam"]["drop_mm"] + values["part"]["longest_mm"]) / 1e3
    return math.sqrt(2 * way_m / G_M_S2)


def request_s(values: dict[str, Any], quantity: int) -> float:
    """Least time for a request: the run over its pockets, then the longest fall."""
    return run_s(values, quantity) + longest_fall_s(values)
