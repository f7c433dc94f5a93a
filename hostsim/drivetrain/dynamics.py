"""The motor at rest and on the move: resonance and heat.

Theory of operation
-------------------
Near a rest position the rotor hangs in its field as on a spring of stiffness p T, so that it swings
by itself with f = sqrt(p T / J) / 2 pi.  Full steps at that rate, or at a half or a third of it,
come in time with the swing and can shake the rotor out of step; microsteps shorten the kicks, and
from about eighths on little of it is left.  (Texts on stepping motors, from memory; for small
motors the swing lies at 100 to 300 Hz.)

Both windings carry a sine of the labelled amplitude, a quarter of a cycle apart, so the copper
turns I^2 R to heat, whatever the speed, for as long as the motor is energised.
"""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from hostsim.drivetrain.load import Load
from hostsim.drivetrain.motor import FULL_STEPS_PER_POLE_PAIR, Winding, pull_out_n_m

NEAR = 0.2  # of the frequency, on either side: about the width of the resonance
FRACTIONS = (1, 2, 3)
FINE_MICROSTEPS = 8
KELVIN_PER_W = 8.0  # a small motor on a printed mount, in still air (common practice, no source)
MOUNT_RISE_K = 30.0  # PLA gives way from about 55 degrees C on (its makers' data sheets)


def swing_hz(values: Mapping[str, Any]) -> float:
    """Natural frequency of the energised rotor with its load."""
    motor = values["motor"]
    stiffness = motor["full_steps_per_rev"] / FULL_STEPS_PER_POLE_PAIR * _standing_n_m(motor)
    return math.sqrt(stiffness / Load.of(values).inertia_kg_m2) / (2 * math.pi)


def resonant_at(values: Mapping[str, Any], rev_s: float) -> float | None:
    """The rate in full steps/s that a steady speed comes too near to, if it does and matters."""
    motor = values["motor"]
    if motor["microsteps"] >= FINE_MICROSTEPS:
        return None
    rate = rev_s * motor["full_steps_per_rev"]
    swing = swing_hz(values)
    for part in FRACTIONS:
        if abs(rate - swing / part) <= NEAR * swing / part:
            return swing / part
    return None


def copper_heat_w(motor: Mapping[str, Any]) -> float:
    """Heat in both windings at the stated duty."""
    winding = Winding.of(motor)
    return float(motor["duty"] * winding.current_a**2 * winding.resistance_ohm)


def rise_k(motor: Mapping[str, Any]) -> float:
    """How much warmer than the room the motor gets, in the end."""
    return KELVIN_PER_W * copper_heat_w(motor)


def _standing_n_m(motor: Mapping[str, Any]) -> float:
    return float(pull_out_n_m(motor, np.array(0.0)))
