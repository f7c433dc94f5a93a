"""The drive of one module in numbers: load, torque, margins, gears, heat."""

import math
from dataclasses import dataclass

import numpy as np

from hostsim.config import ModuleConfig
from hostsim.drivetrain import gears
from hostsim.drivetrain.column import Column
from hostsim.drivetrain.dynamics import copper_heat_w, rise_k, swing_hz
from hostsim.drivetrain.load import Load, ramp_rev_s2
from hostsim.drivetrain.margin import (
    acceleration_limit_rev_s2,
    run_margin,
    start_stop_limit_rev_s,
    velocity_limit_rev_s,
)
from hostsim.drivetrain.motor import Winding, pull_out_n_m

SPEEDS = 200  # at which the greatest demand is sought


@dataclass(frozen=True)
class Drive:
    """Numbers about one module's drive; torques at the motor shaft."""

    column: Column
    load: Load
    asked_n_m: float  # at most, over a run
    cruise_pull_out_n_m: float
    estimated: bool  # the winding's data is a guess
    margin: float
    velocity_limit_rev_s: float  # with the usual margin
    acceleration_limit_rev_s2: float  # likewise
    start_stop_limit_rev_s: float
    swing_hz: float
    heat_w: float
    rise_k: float
    pairs: tuple[gears.Pair, ...]
    contact_ratios: tuple[float, ...]
    centres_mm: tuple[float, ...]
    lash_steps: float  # microsteps of the motor
    lash_mm: float  # at the pocket
    least_lash_deg: float
    step_mm: float  # one microstep at the pocket


def measure(config: ModuleConfig) -> Drive:
    """Work out the numbers of a module's drive."""
    values = config.values
    motor, limits, sprocket = values["motor"], values["limits"], values["sprocket"]
    load = Load.of(values)
    velocity = limits["velocity_rev_s"]
    acceleration, jerk = limits["acceleration_rev_s2"], limits["jerk_rev_s3"]
    ramp = ramp_rev_s2(np.linspace(0.0, velocity, SPEEDS), velocity, acceleration, jerk)
    train = gears.pairs(values["gear"]["stages"], values["gear"]["module_mm"])
    steps_per_turn = load.reduction * motor["full_steps_per_rev"] * motor["microsteps"]
    round_mm = 2 * math.pi * sprocket["pitch_radius_mm"]
    return Drive(
        column=Column.of(values),
        load=load,
        asked_n_m=float(np.max(load.asked_n_m(ramp))),
        cruise_pull_out_n_m=float(pull_out_n_m(motor, np.array(velocity))),
        estimated=not motor["pull_out"] and Winding.of(motor).estimated,
        margin=run_margin(config, velocity, acceleration, jerk),
        velocity_limit_rev_s=velocity_limit_rev_s(config),
        acceleration_limit_rev_s2=acceleration_limit_rev_s2(config),
        start_stop_limit_rev_s=start_stop_limit_rev_s(config),
        swing_hz=swing_hz(values),
        heat_w=copper_heat_w(motor),
        rise_k=rise_k(motor),
        pairs=tuple(train),
        contact_ratios=tuple(pair.contact_ratio for pair in train),
        centres_mm=tuple(pair.centres_mm for pair in train),
        lash_steps=sprocket["lash_deg"] / 360 * steps_per_turn,
        lash_mm=sprocket["lash_deg"] / 360 * round_mm,
        least_lash_deg=gears.least_lash_deg(train),
        step_mm=round_mm / steps_per_turn,
    )
