"""The world: one module's true parameters, in the units the physics is written in.

Theory of operation
-------------------
`World.of(config)` takes what a module description states about itself (human units) and adds what
no description knows: friction, how far the real lash is from the bound, how parts scatter. These
additions are this project's assumptions; every one can be overridden by keyword in a test.

Angles are turned into pockets (1 = one pitch of the sprocket) and motor microsteps ("steps").
Counted from the dwell position of pocket number k, a pocket passes the magazine opening
`feed_pockets` before its own dwell position and lets go half a pocket before it.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, Protocol, Self

from hostsim.plant.column import column_n_m, slope_share
from hostsim.plant.winding import FLAT, Curve, curve

G_M_S2 = 9.80665  # standard gravity
FULL_STEPS_PER_CYCLE = 4  # of a two-phase hybrid stepper: its torque repeats every 4 full steps
G_CM2 = 1e-7  # 1 g cm^2 in kg m^2
LEAST_SLOPE = 0.01  # share of gravity: a flat channel feeds next to nothing, but not in no time


class Described(Protocol):
    """What the plant needs of a module description: `values[section][key]` in human units."""

    @property
    def values(self) -> Mapping[str, Any]: ...


@dataclass(frozen=True)
class World:
    """True parameters of one module."""

    # Motor and gear train, seen at the motor shaft.
    steps_per_turn: int
    steps_per_full_step: int
    steps_per_pocket: float
    pockets: int
    holding_n_m: float
    inertia_kg_m2: float
    creep_steps_s: float
    lash_steps: float
    friction_n_m: float = 0.02  # gears, bearings and the column of parts
    running_share: float = 0.71  # of the holding torque: a sine in each phase, not both at once
    torque_curve: Curve = FLAT  # share of that at speed: winding inductance, supply
    torque_corner: float = 1.0  # scale on the speeds of the curve
    stall_report_us: int = 3000  # from losing the rotor to the driver's stall output

    # The sprocket, in pockets.
    index_fitted: bool = True
    index_lead_pockets: float = 0.5  # index edge before the release edge
    index_flag_pockets: float = 0.08  # width of the index flag
    feed_pockets: int = 2  # dwell positions from under the opening to the release
    opening_pockets: float = 0.7  # travel over which a pocket is under the opening
    release_scatter_pockets: float = 0.04  # half-width, triangular
    release_limit_pockets: float = 0.34  # no part can fall further than this from the edge
    wear_shift_pockets: float = 0.02  # release comes later by this at the rated pieces
    rated_pieces: int = 200_000

    # The magazine and the channel.
    capacity: int = 400
    low_level: int = 40
    low_sensor: bool = True
    part_pitch_m: float = 0.008  # how far the column moves for the next part
    feed_drag: float = 0.2  # share of gravity lost to friction in the channel
    feed_scatter: float = 0.05  # half-width of the feed time, as a share

    # Jams and trains.
    free_back_pockets: float = 0.2  # a jam needs the sprocket moved back this far
    shake_pockets: float = 0.05  # least travel that shakes a train

    # Fall and beam.
    longest_m: float = 0.008
    shortest_m: float = 0.0032
    hole_m: float = 0.0
    drop_m: float = 0.03
    drop_scatter_m: float = 0.0005  # half-width, uniform
    kick_m_s: float = 0.02  # largest downward speed a part starts with; uniform from 0
    aperture_m: float = 0.001  # width of the light beam: a gap narrower than this stays dark
    bounce_us: int = 200
    respond_us: int = 1000

    @classmethod
    def of(cls, config: Described, **overrides: Any) -> Self:
        """Take a module description; keyword arguments replace single fields afterwards."""
        world = cls(
            **_motor(config.values),
            **_torque(config.values),
            **_sprocket(config.values),
            **_magazine(config.values),
            **_slope(config.values),
            **_fall(config.values),
        )
        return replace(world, **overrides)

    @property
    def cycle_steps(self) -> int:
        """Steps after which the motor cannot tell its position apart."""
        return FULL_STEPS_PER_CYCLE * self.steps_per_full_step

    @property
    def step_rad(self) -> float:
        """Motor angle of one step."""
        return 2 * math.pi / self.steps_per_turn

    @property
    def feed_us(self) -> float:
        """Mean time the column takes to slide one part further, from rest."""
        pull_m_s2 = G_M_S2 * (1 - self.feed_drag)
        return 1e6 * math.sqrt(2 * self.part_pitch_m / pull_m_s2)

    @property
    def fastest_pockets_s(self) -> float:
        """Steady rate up to which every pocket is long enough under the opening."""
        return self.opening_pockets * 1e6 / (self.feed_us * (1 + self.feed_scatter))


def _motor(values: Mapping[str, Any]) -> dict[str, Any]:
    motor, limits = values["motor"], values["limits"]
    full_steps, microsteps = motor["full_steps_per_rev"], motor["microsteps"]
    reduction = _reduction(values)
    pockets = values["sprocket"]["pockets"]
    per_turn = full_steps * microsteps
    sprocket_g_cm2 = values["sprocket"]["inertia_g_cm2"]
    inertia_g_cm2 = motor["rotor_inertia_g_cm2"] + sprocket_g_cm2 / float(reduction) ** 2
    return {
        "steps_per_turn": per_turn,
        "steps_per_full_step": microsteps,
        "steps_per_pocket": float(per_turn * reduction / pockets),
        "pockets": pockets,
        "holding_n_m": motor["holding_torque_n_m"],
        "inertia_kg_m2": inertia_g_cm2 * G_CM2,
        "creep_steps_s": limits["creep_rev_s"] * per_turn,
        # The description gives the bound; a real gear train has somewhat less play.
        "lash_steps": 0.8 * values["sprocket"]["lash_deg"] / 360 * float(reduction) * per_turn,
    }


def _torque(values: Mapping[str, Any]) -> dict[str, Any]:
    """What drives the rotor, and what it drags."""
    motor = values["motor"]
    current_a = motor.get("current_a", 1.5)
    holding_n_m = motor["holding_torque_n_m"]
    points = motor.get("pull_out")
    if points:
        rev_s, torques_n_m = zip(*points, strict=True)
        shares = tuple(torque / (World.running_share * holding_n_m) for torque in torques_n_m)
        torque_curve = Curve(rev_s, shares)
    else:
        # What a label leaves out: a winding that takes 5.5 W at standstill, 1.6 ms to fill.
        resistance_ohm = motor.get("resistance_ohm") or 2.75 / current_a**2
        torque_curve = curve(
            motor["full_steps_per_rev"] / FULL_STEPS_PER_CYCLE,
            World.running_share * holding_n_m,
            current_a,
            resistance_ohm,
            motor.get("inductance_mh", 0.0) / 1e3 or 1.6e-3 * resistance_ohm,
            motor.get("supply_v", 24.0),
        )
    train_n_m = values["gear"].get("friction_n_m", World.friction_n_m)
    return {
        "torque_curve": torque_curve,
        "friction_n_m": train_n_m + column_n_m(values, pitch_m(values)),
    }


def _reduction(values: Mapping[str, Any]) -> Fraction:
    """Motor turns per sprocket turn."""
    reduction = Fraction(1)
    for driver, driven in values["gear"]["stages"]:
        reduction *= Fraction(driven, driver)
    return reduction


def _sprocket(values: Mapping[str, Any]) -> dict[str, Any]:
    sprocket = values["sprocket"]
    pitch_deg = 360 / sprocket["pockets"]
    scatter_deg = sprocket.get("scatter_deg", World.release_scatter_pockets * pitch_deg)
    return {
        # On a wheel of two pockets the other one is under the opening, not the one that lets go.
        "feed_pockets": min(World.feed_pockets, sprocket["pockets"] - 1),
        "release_scatter_pockets": scatter_deg / pitch_deg,
        "index_fitted": bool(sprocket["index_sensor"]),
        "index_lead_pockets": sprocket.get("release_deg", pitch_deg / 2) / pitch_deg,
        "release_limit_pockets": 0.5 - sprocket["dwell_deg"] / pitch_deg,
        "rated_pieces": sprocket["rated_pieces"],
    }


def _magazine(values: Mapping[str, Any]) -> dict[str, Any]:
    magazine = values["magazine"]
    return {
        "capacity": magazine["capacity"],
        "low_level": magazine["low_level"],
        "low_sensor": bool(magazine["low_sensor"]),
        "part_pitch_m": pitch_m(values),
    }


def pitch_m(values: Mapping[str, Any]) -> float:
    """From part to part in the channel, where the description does not say it."""
    part = values["part"]
    stated_mm = values["magazine"].get("pitch_mm")
    if stated_mm:
        return float(stated_mm) / 1e3
    # A part with a hole lies flat and its neighbours touch rim to rim. A part without one hangs in
    # a rail head to head; a cap screw's head is 1.8 times its thread (ISO 4762: M4 has 7.22 mm).
    own_mm = part["longest_mm"] if part.get("hole_mm") else 1.8 * part["shortest_mm"]
    return float(own_mm) / 1e3


def _slope(values: Mapping[str, Any]) -> dict[str, Any]:
    """The channel and its mouth, of a description that tells them."""
    magazine = values["magazine"]
    told: dict[str, Any] = {}
    if "incline_deg" in magazine:
        share = slope_share(magazine["friction"], magazine["incline_deg"])
        told["feed_drag"] = 1 - max(share, LEAST_SLOPE)
    if "mouth_pockets" in magazine:
        told["opening_pockets"] = magazine["mouth_pockets"]
    return told


def _fall(values: Mapping[str, Any]) -> dict[str, Any]:
    part, beam = values["part"], values["beam"]
    return {
        "longest_m": part["longest_mm"] / 1e3,
        "shortest_m": part["shortest_mm"] / 1e3,
        "hole_m": (part.get("hole_mm") or 0.0) / 1e3,
        "drop_m": beam["drop_mm"] / 1e3,
        "drop_scatter_m": beam.get("drop_tolerance_mm", 0.5) / 1e3,
        "kick_m_s": part.get("start_mm_s", 20.0) / 1e3,
        "aperture_m": beam.get("width_mm", 1.0) / 1e3,
        # The description gives bounds; the real sensor keeps within them.
        "bounce_us": int(0.8 * beam["bounce_ms"] * 1e3),
        "respond_us": int(0.6 * beam["response_ms"] * 1e3),
    }
