"""The load: inertia and friction at the motor shaft, and the torque a run asks for at each speed.

Theory of operation
-------------------
An inertia behind a reduction n counts 1/n^2 at the motor.  Each wheel of the train is taken as a
disc of its pitch diameter, as wide as `gear.width_mm`.  The push of the column rubs on the sprocket
and is a torque there, mu F r, as is the weight of the parts that are carried; both come to the
motor divided by the reduction and by the efficiency of the stages.

A run with limits V, A, J reaches, at the speed v of its ramp up, the acceleration

    a(v) = min(A, sqrt(2 J v), sqrt(2 J (V - v)))

which follows from v = a^2 / 2J while the jerk lasts, from either end.  So the torque over a whole
run is a curve over speed, and slowing down asks for less than speeding up, as friction helps.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hostsim.drivetrain.column import G_M_S2, Column

Floats = NDArray[np.float64]

G_CM2 = 1e-7  # in kg m2
PRINTED_KG_M3 = 1_240.0  # PLA (any maker's data sheet), printed solid
EFFICIENCY = 0.95  # of a pair of plain spur gears (common practice, no source)


@dataclass(frozen=True)
class Load:
    """What the motor shaft sees. Inertias in kg m2, torques in N m."""

    rotor_kg_m2: float
    gears_kg_m2: float
    sprocket_kg_m2: float
    running_n_m: float  # gears and bearings, empty
    column_n_m: float  # parts that rub on sprocket and housing
    reduction: float

    @property
    def inertia_kg_m2(self) -> float:
        """All of it."""
        return self.rotor_kg_m2 + self.gears_kg_m2 + self.sprocket_kg_m2

    @property
    def friction_n_m(self) -> float:
        """All of it."""
        return self.running_n_m + self.column_n_m

    def asked_n_m(self, acceleration_rev_s2: Any) -> Any:
        """Torque for an acceleration of the motor; scalars or arrays."""
        return self.friction_n_m + self.inertia_kg_m2 * 2 * math.pi * acceleration_rev_s2

    @classmethod
    def of(cls, values: Mapping[str, Any]) -> "Load":
        """Take a module description, `values[section][key]`."""
        stages = values["gear"]["stages"]
        reduction = math.prod(driven / driver for driver, driven in stages)
        sprocket, magazine = values["sprocket"], values["magazine"]
        carried_n = sprocket["pockets"] * values["part"]["mass_g"] / 1e3 * G_M_S2
        rubbing_n = Column.of(values).push_n + carried_n
        at_sprocket_n_m = magazine["friction"] * rubbing_n * sprocket["pitch_radius_mm"] / 1e3
        return cls(
            rotor_kg_m2=values["motor"]["rotor_inertia_g_cm2"] * G_CM2,
            gears_kg_m2=_gears_kg_m2(values["gear"]),
            sprocket_kg_m2=sprocket["inertia_g_cm2"] * G_CM2 / reduction**2,
            running_n_m=values["gear"]["friction_n_m"],
            column_n_m=at_sprocket_n_m / reduction / EFFICIENCY ** len(stages),
            reduction=reduction,
        )


def disc_kg_m2(diameter_m: float, width_m: float, density_kg_m3: float = PRINTED_KG_M3) -> float:
    """Moment of inertia of a disc about its axis."""
    return math.pi / 32 * density_kg_m3 * width_m * diameter_m**4


def _gears_kg_m2(gear: Mapping[str, Any]) -> float:
    """The train at the motor shaft; the two wheels of an axle between stages turn together."""
    module_m, width_m = gear["module_mm"] / 1e3, gear["width_mm"] / 1e3
    total, reduction = 0.0, 1.0
    for driver, driven in gear["stages"]:
        total += disc_kg_m2(module_m * driver, width_m) / reduction**2
        reduction *= driven / driver
        total += disc_kg_m2(module_m * driven, width_m) / reduction**2
    return total


def ramp_rev_s2(speed_rev_s: Floats, velocity: float, acceleration: float, jerk: float) -> Floats:
    """Acceleration at each speed of the ramp up to `velocity`; rev/s, rev/s2, rev/s3, jerk 0: none.

    The speeds lie in 0 to `velocity`.
    """
    if not jerk:
        return np.full_like(speed_rev_s, acceleration)
    to_either_end = np.minimum(speed_rev_s, velocity - speed_rev_s)
    return np.minimum(acceleration, np.sqrt(2 * jerk * np.maximum(to_either_end, 0.0)))
