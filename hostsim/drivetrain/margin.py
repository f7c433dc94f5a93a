"""Margins: pull-out torque against demand over a run, and the limits that follow from it.

Theory of operation
-------------------
The margin of a run is the least ratio of pull-out torque to demand on its way up to speed.  A
faster run passes through every speed of a slower one with no less acceleration, so the margin can
only fall as the velocity rises, and the highest velocity with a given margin is found by halving.
So is the highest acceleration.

A start without a ramp is judged by energy: the field runs off at once, and seen from it the rotor
goes backwards with the kinetic energy J w^2 / 2.  Friction holds it until the lag is d, with
sin d = friction / T; from there to the lag of no return, pi - d, the magnetic spring less friction
takes (2 T cos d - friction (pi - 2 d)) / p.  Half of that is counted on, for whatever else shakes
the rotor.  (Texts on stepping motors find the pull-in rate so; from memory.)
"""

import math
from collections.abc import Callable

import numpy as np

from hostsim.config import ModuleConfig
from hostsim.drivetrain.load import Load, ramp_rev_s2
from hostsim.drivetrain.motor import FULL_STEPS_PER_POLE_PAIR, pull_out_n_m

MARGIN = 1.5  # of pull-out torque over demand (common practice, no source)
# Above this the iron of a hybrid stepper eats what torque is left (common practice, no source), and
# no winding tells how much: a limit is never said to be higher.
TRUSTED_FULL_STEPS_S = 6_000.0
REV_S2_MAX = 1e6
SHARE_OF_WELL = 0.5
SPEEDS = 400  # at which a run is judged
HALVINGS = 50


def run_margin(
    config: ModuleConfig, velocity_rev_s: float, acceleration_rev_s2: float, jerk_rev_s3: float
) -> float:
    """Least ratio of pull-out torque to demand over a run with these limits."""
    speeds = np.linspace(0.0, velocity_rev_s, SPEEDS)
    ramp = ramp_rev_s2(speeds, velocity_rev_s, acceleration_rev_s2, jerk_rev_s3)
    asked = Load.of(config.values).asked_n_m(ramp)
    return float(np.min(pull_out_n_m(config.values["motor"], speeds) / asked))


def velocity_limit_rev_s(config: ModuleConfig, margin: float = MARGIN) -> float:
    """Highest motor speed whose whole run keeps pull-out torque at `margin` times the demand.

    The acceleration and jerk are those of the description. 0.0 if no speed has that margin; at
    most 6,000 full steps a second, beyond which the model is not to be trusted.
    """
    limits = config.values["limits"]
    return _highest(
        lambda velocity: (
            run_margin(config, velocity, limits["acceleration_rev_s2"], limits["jerk_rev_s3"])
            >= margin
        ),
        TRUSTED_FULL_STEPS_S / config.values["motor"]["full_steps_per_rev"],
    )


def acceleration_limit_rev_s2(config: ModuleConfig, margin: float = MARGIN) -> float:
    """Highest acceleration with that margin, at the velocity and jerk of the description."""
    limits = config.values["limits"]
    return _highest(
        lambda acceleration: (
            run_margin(config, limits["velocity_rev_s"], acceleration, limits["jerk_rev_s3"])
            >= margin
        ),
        REV_S2_MAX,
    )


def start_stop_limit_rev_s(config: ModuleConfig) -> float:
    """Highest speed at which the motor starts and stops without a ramp; 0.0: it cannot."""
    motor, load = config.values["motor"], Load.of(config.values)
    pole_pairs = motor["full_steps_per_rev"] / FULL_STEPS_PER_POLE_PAIR
    inertia = load.inertia_kg_m2

    def starts(rev_s: float) -> bool:
        torque = float(pull_out_n_m(motor, np.array(rev_s)))
        if torque <= load.friction_n_m:
            return False
        lag = math.asin(load.friction_n_m / torque)
        well_j = 2 * torque * math.cos(lag) - load.friction_n_m * (math.pi - 2 * lag)
        return inertia * (2 * math.pi * rev_s) ** 2 / 2 <= SHARE_OF_WELL * well_j / pole_pairs

    return _highest(starts, TRUSTED_FULL_STEPS_S / motor["full_steps_per_rev"])


def _highest(holds: Callable[[float], bool], most: float) -> float:
    """Greatest number up to `most` for which `holds`, which is true below some point only."""
    low, high = 0.0, most
    if holds(high):
        return most
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if holds(middle):
            low = middle
        else:
            high = middle
    return low
