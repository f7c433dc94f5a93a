"""The motor: how much torque it has at which speed, from its label or from measured points.

Theory of operation
-------------------
A hybrid stepper is a two-phase synchronous motor with a pole pair for every four full steps.  Its
torque is the phase current in step with its back-EMF times a constant, and two things bound that
current: the driver holds its amplitude to what it is set to, and the supply has to drive it through
resistance, inductance and back-EMF.  In the plane of the current phasor, back-EMF along the real
axis, both bounds are circles:

    |i| <= I          and          |E + (R + jwL) i| <= V,   E = w psi

and the pull-out torque is the greatest real part of i in both, times p psi.  (Circle diagram of the
permanent-magnet synchronous motor, in any text on vector control.  Where the supply alone binds,
the answer is p psi (V/Z - w psi R/Z^2), the formula for pull-out that texts on stepping motors
derive from the same circuit, Acarnley's among them; both from memory.)

The holding torque of a label is with both phases at the labelled current, so one phase has
psi = T / (sqrt(2) p I), and a microstepped motor, whose current is a sine of that amplitude, starts
with 1/sqrt(2) of it.  A chopper that keeps up gives a sine no higher than the supply, one that
can't gives a square wave, whose fundamental is 4/pi of it; V is taken midway between the two.

Left out: iron losses, saturation, the volts the driver keeps for itself.  A motor that
was measured can have its curve as points (`motor.pull_out`); then they count, linear in between,
and nothing beyond the last.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FULL_STEPS_PER_POLE_PAIR = 4
AMPLITUDE = (1 + 4 / math.pi) / 2  # of what the driver makes of the supply
# A motor of unknown winding (common practice, no source): frame sizes for this work turn about
# 6 W to heat at the labelled current in both phases, and their L/R is about 1.7 ms.
LABEL_HEAT_W = 6.0
TIME_CONSTANT_S = 1.7e-3


@dataclass(frozen=True)
class Winding:
    """One motor on one supply. `estimated` if its label did not give resistance or inductance."""

    pole_pairs: float
    current_a: float
    resistance_ohm: float
    inductance_h: float
    supply_v: float
    flux_v_s: float  # back-EMF of a phase at 1 rad/s electrical
    estimated: bool

    @classmethod
    def of(cls, motor: Mapping[str, Any]) -> "Winding":
        """Take the section [motor] of a module description."""
        pole_pairs = motor["full_steps_per_rev"] / FULL_STEPS_PER_POLE_PAIR
        current_a = motor["current_a"]
        resistance = motor["resistance_ohm"] or LABEL_HEAT_W / (2 * current_a**2)
        return cls(
            pole_pairs=pole_pairs,
            current_a=current_a,
            resistance_ohm=resistance,
            inductance_h=motor["inductance_mh"] / 1e3 or resistance * TIME_CONSTANT_S,
            supply_v=motor["supply_v"],
            flux_v_s=motor["holding_torque_n_m"] / (math.sqrt(2) * pole_pairs * current_a),
            estimated=not (motor["resistance_ohm"] and motor["inductance_mh"]),
        )

    def pull_out_n_m(self, rev_s: Floats) -> Floats:
        """Greatest torque at motor speeds in rev/s."""
        rate = 2 * np.pi * self.pole_pairs * np.asarray(rev_s, dtype=float)  # electrical, rad/s
        impedance = self.resistance_ohm + 1j * rate * self.inductance_h
        centre = -rate * self.flux_v_s / impedance
        radius = AMPLITUDE * self.supply_v / np.abs(impedance)
        current = _rightmost(self.current_a, centre, radius)
        return np.asarray(self.pole_pairs * self.flux_v_s * np.maximum(current, 0.0))


def _rightmost(limit: float, centre: NDArray[np.complex128], radius: Floats) -> Floats:
    """Greatest real part of what lies both in |i| <= limit and in |i - centre| <= radius.

    0 where nothing does: then the back-EMF alone is more than the supply.
    """
    distance = np.maximum(np.abs(centre), 1e-12)
    # Each circle's own rightmost point, if the other circle contains it.
    top = np.where(np.abs(limit - centre) <= radius, limit, -np.inf)
    crown = centre + radius
    top = np.maximum(top, np.where(np.abs(crown) <= limit, crown.real, -np.inf))
    # Else the circles' points of intersection: along the line of centres, and across it.
    along = (limit**2 - radius**2 + distance**2) / (2 * distance)
    across = np.sqrt(np.maximum(limit**2 - along**2, 0.0))
    towards = centre / distance
    crossing = np.maximum(
        (towards * (along + 1j * across)).real, (towards * (along - 1j * across)).real
    )
    meets = np.abs(along) <= limit
    return np.where(np.isfinite(top), top, np.where(meets, crossing, 0.0))


def pull_out_n_m(motor: Mapping[str, Any], rev_s: Floats) -> Floats:
    """Pull-out torque at motor speeds in rev/s: from the points of [motor], or from its winding."""
    points = motor["pull_out"]
    if points:
        speeds, torques = np.array(points, dtype=float).T
        return np.asarray(np.interp(rev_s, speeds, torques, right=0.0))
    return Winding.of(motor).pull_out_n_m(rev_s)
