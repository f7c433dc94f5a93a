"""Demand by Newton's law; limits against the plant, which has its own winding, load and judgement.

At 0.8 of a predicted limit the simulated motor must never pull out, at 1.25 of it always.
"""

import math
from typing import Any

import numpy as np
import pytest

from controller.board.ports import RUNNING
from controller.motion.profile import Planner, creep
from controller.motion.words import Move
from hostsim.config import ModuleConfig
from hostsim.drivetrain.load import Load, disc_kg_m2, ramp_rev_s2
from hostsim.drivetrain.margin import _highest as highest
from hostsim.drivetrain.margin import (
    acceleration_limit_rev_s2,
    run_margin,
    start_stop_limit_rev_s,
    velocity_limit_rev_s,
)
from hostsim.plant.eventlog import EventLog
from hostsim.plant.plant import Plant
from tests.hostsim.described import described

TURN = 3200  # microsteps

# Loads and supplies that keep the limits within what the model is trusted for.
LOADS: list[tuple[str, dict[str, Any]]] = [
    ("m4_nut", {"gear": {"friction_n_m": 0.12}, "motor": {"supply_v": 12.0}}),
    ("m4_nut", {"gear": {"friction_n_m": 0.08}, "motor": {"inductance_mh": 9.0}}),
    ("m4_nut", {"motor": {"supply_v": 9.0}, "gear": {"friction_n_m": 0.07}}),
    (
        "m4_nut",
        {
            "magazine": {"push_n": 100.0, "side_pressure": 0.0},
            "motor": {"supply_v": 12.0, "resistance_ohm": 0.0, "inductance_mh": 0.0},
        },
    ),
    ("m4_washer", {"gear": {"friction_n_m": 0.07}, "motor": {"supply_v": 12.0}}),
    ("m4x12_socket_screw", {"gear": {"friction_n_m": 0.1}, "motor": {"inductance_mh": 7.0}}),
    (
        "m4x12_socket_screw",
        {
            "motor": {"pull_out": [[0, 0.3], [6, 0.25], [12, 0.1], [20, 0.01]]},
            "gear": {"friction_n_m": 0.06},
        },
    ),
]
IDS = [f"{name}-{number}" for number, (name, _) in enumerate(LOADS)]


def pulls_out(config: ModuleConfig, move: Move) -> bool:
    """Make one move with the simulated motor and look whether it lost its rotor."""
    log = EventLog()
    plant = Plant(config, 1, "none", log)
    plant.drive_enable(True)
    plant.drive_start(move)
    while plant.drive_status()[0] & RUNNING:
        plant.advance(plant.now_us + 10_000_000)
    return any("pulls out" in text for _, text in log.entries)


def run(velocity: float, acceleration: float, jerk: float) -> Move:
    """A run that reaches its velocity; rev/s, rev/s2, rev/s3."""
    planner = Planner(round(velocity * TURN), round(acceleration * TURN), round(jerk * TURN))
    return planner.move(2 * planner.ramp_steps + 2000, 1)


@pytest.mark.parametrize(("name", "changes"), LOADS, ids=IDS)
def test_the_motor_stalls_beyond_the_predicted_velocity_and_not_before(name, changes):
    # Quick enough that the planner's longest ramp gets there.
    limits = {"acceleration_rev_s2": 300.0, "jerk_rev_s3": 20_000.0}
    config = described(name, limits=limits, **changes)
    limit = velocity_limit_rev_s(config, margin=1.0)
    assert 5 < limit < 29  # inside the range in which the model is trusted
    assert not pulls_out(config, run(0.8 * limit, *limits.values()))
    assert pulls_out(config, run(1.25 * limit, *limits.values()))


@pytest.mark.parametrize(("name", "changes"), LOADS, ids=IDS)
def test_and_so_it_does_for_the_predicted_acceleration(name, changes):
    # With a flywheel, so that speeding up takes many full steps.
    flywheel = {"sprocket": {"inertia_g_cm2": 20_000.0}, "limits": {"jerk_rev_s3": 0}}
    config = described(name, **changes, **flywheel)
    velocity = config.values["limits"]["velocity_rev_s"]
    limit = acceleration_limit_rev_s2(config, margin=1.0)
    assert not pulls_out(config, run(velocity, 0.8 * limit, 0))
    assert pulls_out(config, run(velocity, 1.25 * limit, 0))


@pytest.mark.parametrize(("name", "changes"), LOADS, ids=IDS)
def test_and_for_a_start_without_a_ramp(name, changes):
    config = described(name, **changes)
    limit = start_stop_limit_rev_s(config)
    assert 1 < limit < 15
    assert not pulls_out(config, creep(3000, 1, round(0.8 * limit * TURN)))
    assert pulls_out(config, creep(3000, 1, round(1.25 * limit * TURN)))


def test_the_demand_of_a_run_is_newtons_law_for_its_steps():
    """Speed and acceleration of a planned run, from the times of its steps."""
    config = described()
    velocity, top, jerk = 4.33, 80.0, 4000.0
    move = run(velocity, top, jerk)
    counts, ticks = np.array(list(move.pairs())).T
    times = np.concatenate(([0], np.cumsum(np.repeat(ticks, counts)))) / 5e6
    turned = np.arange(len(times)) / TURN
    even_s = np.arange(0, times[-1], 0.003)
    speed = np.gradient(np.interp(even_s, times, turned), even_s)
    gain = np.gradient(speed, even_s)
    speeding_up = (even_s > 0.012) & (even_s < times[-1] / 2) & (speed < 0.97 * velocity)
    said = ramp_rev_s2(np.clip(speed, 0, velocity), velocity, top, jerk)
    assert gain[speeding_up] == pytest.approx(said[speeding_up], abs=0.08 * top)
    load = Load.of(config.values)
    # (54 + 20 / 3^2) g cm2 of rotor and sprocket, and wheels of 17 and 51 mm, 6 mm wide
    wheels = disc_kg_m2(0.017, 0.006) + disc_kg_m2(0.051, 0.006) / 9
    assert load.inertia_kg_m2 == pytest.approx(56.222e-7 + wheels, rel=1e-4)
    assert load.asked_n_m(80.0) == pytest.approx(
        load.friction_n_m + load.inertia_kg_m2 * 2 * math.pi * 80
    )


def test_a_disc():
    """m r^2 / 2: 100 g, 40 mm across."""
    width = 0.1 / (7850 * math.pi / 4 * 0.04**2)
    assert disc_kg_m2(0.04, width, 7850.0) == pytest.approx(0.1 * 0.02**2 / 2)


def test_the_limit_is_where_the_margin_is_as_asked_for():
    config = described(gear={"friction_n_m": 0.12}, motor={"supply_v": 12.0})
    for margin in (1.0, 1.5, 1.9):
        limit = velocity_limit_rev_s(config, margin)
        assert run_margin(config, limit, 80.0, 4000.0) == pytest.approx(margin, rel=1e-2)
    assert velocity_limit_rev_s(config, 1.5) < velocity_limit_rev_s(config, 1.2)


def test_a_motor_that_cannot_has_no_limit_but_nought():
    config = described(gear={"friction_n_m": 0.5})
    assert velocity_limit_rev_s(config) == 0.0
    assert start_stop_limit_rev_s(config) == 0.0


def test_no_limit_beyond_what_is_trusted():
    assert velocity_limit_rev_s(described(motor={"supply_v": 100.0})) == 6000 / 200
    assert highest(lambda value: True, 7.0) == 7.0
