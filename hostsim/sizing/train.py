"""Gear trains and motors to choose from.

Theory of operation
-------------------
One stage of spur gears of ISO 54 module between motor and wheel.  Teeth are few enough to fit and
never fewer than 17, below which a 20 degree rack undercuts them.  For each number of pockets and
each of a few ratios the pair with the fewest teeth is taken that gives a whole number of steps to a
pocket, or, if there is none, whose fraction has the smallest denominator: then the rounding pattern
repeats soonest.

The lash follows from the play at the pitch circle of the driven wheel, which printed teeth need.
"""

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

from hostsim.config import ConfigError, load
from hostsim.sizing.wheel import WALL_MM, SizeError

MODULE_MM = 1.0  # ISO 54 series I, and the smallest that prints well (common practice)
TEETH_LEAST = 17  # 2 / sin^2(20 deg) = 17.1: a hair of undercut, which is usual
DRIVERS = (17, 18, 19, 20, 21, 24)
DRIVEN_MOST = 72
RATIOS = (Fraction(2), Fraction(5, 2), Fraction(3), Fraction(7, 2), Fraction(4))
RATIO_TOLERANCE = Fraction(1, 8)  # of a ratio: pairs this near count as the same choice
PLAY_MM = 0.35  # at the pitch circle: of printed teeth and their centre distance (common practice)


@dataclass(frozen=True)
class Train:
    """One stage: `driver` teeth on the motor shaft, `driven` teeth on the wheel's."""

    driver: int
    driven: int

    @property
    def ratio(self) -> Fraction:
        """Motor turns for one turn of the wheel."""
        return Fraction(self.driven, self.driver)

    @property
    def centre_mm(self) -> float:
        """Distance of the axes."""
        return MODULE_MM * (self.driver + self.driven) / 2

    @property
    def width_mm(self) -> float:
        """Room across the driven wheel with a wall on either side."""
        return MODULE_MM * (self.driven + 2) + 2 * WALL_MM

    @property
    def lash_deg(self) -> float:
        """Lost motion at the wheel, rounded up to tenths."""
        play_deg = math.degrees(PLAY_MM / (MODULE_MM * self.driven / 2))
        return math.ceil(play_deg * 10) / 10

    def steps_per_pocket(self, steps_per_turn: int, pockets: int) -> Fraction:
        """Motor steps for one pocket, exactly."""
        return steps_per_turn * self.ratio / pockets


@dataclass(frozen=True)
class Frame:
    """What a motor's mount must fit: NEMA ICS 16 fixes it, whatever the length of the body."""

    face_mm: float  # the square face
    holes_mm: float  # from hole to hole along a side
    screw: str
    pilot_mm: float  # diameter of the round boss around the shaft
    shaft_mm: float

    @property
    def said(self) -> str:
        """All but the face, for a report."""
        return (
            f"square; 4 {self.screw} on a square of {self.holes_mm:g} mm,"
            f" pilot {self.pilot_mm:g} mm, shaft {self.shaft_mm:g} mm"
        )


# NopSCADlib's NEMA17; piclist.com/techref/io/stepper/nemasizes.htm has faces of 42 to 43 mm.
NEMA17 = Frame(face_mm=42.3, holes_mm=31.0, screw="M3", pilot_mm=22.0, shaft_mm=5.0)


@dataclass(frozen=True)
class Motor:
    """A motor as a module description has it."""

    name: str
    values: dict[str, Any]  # the section [motor]
    frame: Frame | None = None  # None: not known

    @property
    def face_mm(self) -> float:
        """Width of its face; 0.0: not known."""
        return self.frame.face_mm if self.frame else 0.0

    @property
    def steps_per_turn(self) -> int:
        """Microsteps of one turn."""
        return int(self.values["full_steps_per_rev"] * self.values["microsteps"])


def _nema17(
    name: str,
    torque_n_m: float,
    inertia_g_cm2: float,
    current_a: float,
    resistance_ohm: float,
    inductance_mh: float,
) -> Motor:
    values = {
        "full_steps_per_rev": 200,
        "microsteps": 16,
        "holding_torque_n_m": torque_n_m,
        "rotor_inertia_g_cm2": inertia_g_cm2,
        "current_a": current_a,
        "resistance_ohm": resistance_ohm,
        "inductance_mh": inductance_mh,
        "supply_v": 24.0,
        "duty": 0.8,
    }
    return Motor(name, values, NEMA17)


# Of the 42 mm frame, by length of body: the figures of configs/, round ones of common practice.
MOTORS = {
    motor.name: motor
    for motor in (
        _nema17("nema17-34", 0.28, 38.0, 1.2, 1.9, 3.2),
        _nema17("nema17-40", 0.40, 54.0, 1.5, 1.3, 2.4),
        _nema17("nema17-48", 0.46, 68.0, 1.7, 1.2, 2.2),
    )
}
MOTOR = "nema17-40"


def motor_of(text: str) -> Motor:
    """Return a motor by name, or that of a module description. Raises SizeError."""
    if text in MOTORS:
        return MOTORS[text]
    try:
        values = load(Path(text)).values["motor"]
    except OSError as error:
        names = ", ".join(MOTORS)
        raise SizeError(
            f"there is no motor {text!r}: give {names}, or a module description with its [motor]"
        ) from error
    except ConfigError as error:
        raise SizeError(f"{text}: {error.problems[0]} (see `tallywheel check {text}`)") from error
    return Motor(text, values)


@cache
def trains(steps_per_turn: int, pockets: int, width_mm: float | None) -> tuple[Train, ...]:
    """Return the trains worth a look for so many pockets, in rising ratio; none twice."""
    found: dict[Train, None] = {}
    for ratio in RATIOS:
        near = [
            train
            for train in PAIRS
            if abs(train.ratio / ratio - 1) <= RATIO_TOLERANCE
            and (width_mm is None or train.width_mm <= width_mm)
        ]
        if near:
            found[min(near, key=lambda train: _untidy(train, steps_per_turn, pockets))] = None
    return tuple(found)


def _untidy(train: Train, steps_per_turn: int, pockets: int) -> tuple[int, int, int]:
    """What a train is chosen by, the least first."""
    steps = train.steps_per_pocket(steps_per_turn, pockets)
    return steps.denominator, train.driver + train.driven, train.driven


PAIRS = tuple(
    Train(driver, driven)
    for driver in DRIVERS
    for driven in range(TEETH_LEAST, DRIVEN_MOST + 1)
    if driven > driver
)
