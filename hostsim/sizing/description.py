"""The module description of a design: one table of keys, values and remarks, as values and as text.

Theory of operation
-------------------
`Beamed` is what the beam was chosen to be.  `sections` lists every key with its value and what to
say about it; `values` makes of it what `hostsim.config.convert` takes, `text` the file a person
reads.  So the file says what was calculated, to the digit.
"""

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

from hostsim.sizing.train import MODULE_MM, Motor, Train
from hostsim.sizing.wheel import Wheel

# Common practice, no source.
RAMP_S = 0.055  # from rest to cruise at the acceleration limit: gentle on parts, well inside a bag
JERK_SHARE = 0.36  # of that time to come from no acceleration to all of it
START_STOP_REV_S = 1.0  # a loaded motor of this kind starts so fast without a ramp
CREEP_REV_S = 0.25
INDEX_SHARE = 0.1  # of a pitch that an index edge comes before rest, or more for much play
RATED_PIECES = 200_000  # a printed sprocket lasts at least about this many
MAGAZINE_MM = 1_000.0  # a straight channel of a metre
GEAR_WIDTH_MM = 6.0
FRICTION_N_M = 0.02  # of gears and bearings, at the motor
SCATTER_SHARE = 0.5  # of the spread: where most parts let go
LOW_SHARE = 10  # a tenth of the capacity

LADDER = {
    "flat": (("reverse", "pockets", 0.35, 1), ("shake", "pockets", 0.25, 3),
             ("forward", "pockets", 0.5, 1), ("rest", "seconds", 0.5, 1)),
    "hung": (("reverse", "pockets", 0.4, 1), ("forward", "pockets", 0.5, 1),
             ("shake", "pockets", 0.25, 3), ("rest", "seconds", 0.5, 1)),
}  # fmt: skip


class Line(NamedTuple):
    """One key of a section."""

    key: str
    value: Any
    remark: str = ""


@dataclass(frozen=True)
class Beamed:
    """The beam: drop in mm, and how quick its sensor has to be, in ms."""

    drop_mm: float
    bounce_ms: float
    response_ms: float


class Runs(NamedTuple):
    """How the motor gets to a velocity; of the motor shaft, in turns."""

    acceleration_rev_s2: float
    jerk_rev_s3: float
    start_stop_rev_s: float
    creep_rev_s: float

    @classmethod
    def at(
        cls,
        velocity_rev_s: float,
        ramp_s: float = RAMP_S,
        start_stop_rev_s: float = START_STOP_REV_S,
    ) -> "Runs":
        """The ramp to that velocity in that time, without starts faster than that."""
        acceleration = _down(velocity_rev_s / ramp_s, 1)
        start_stop = _down(min(start_stop_rev_s, velocity_rev_s), 3)
        return cls(
            acceleration_rev_s2=acceleration,
            jerk_rev_s3=_down(acceleration / (JERK_SHARE * ramp_s), 0),
            start_stop_rev_s=start_stop,
            creep_rev_s=_down(min(CREEP_REV_S, start_stop), 3),
        )


@dataclass(frozen=True)
class Plan:
    """Everything that makes a module: the choices, and the speed of the motor."""

    wheel: Wheel
    train: Train
    motor: Motor
    beam: Beamed
    velocity_rev_s: float
    ramp_s: float = RAMP_S
    start_stop_rev_s: float = START_STOP_REV_S  # at most

    @property
    def runs(self) -> Runs:
        """How the motor gets to its velocity."""
        return Runs.at(self.velocity_rev_s, self.ramp_s, self.start_stop_rev_s)

    @property
    def full_step_deg(self) -> float:
        """A full step of the motor, seen at the wheel."""
        return 360 / self.motor.values["full_steps_per_rev"] / float(self.train.ratio)

    @property
    def play_deg(self) -> float:
        """How far from its commanded place the wheel may rest: lash and a full step of load lag."""
        return self.train.lash_deg + self.full_step_deg

    @property
    def dwell_deg(self) -> float:
        """The angle around rest within which no part can fall, lash taken off, in tenths."""
        return math.floor(self.wheel.dwell_deg(self.train.lash_deg) * 10) / 10

    @property
    def release_deg(self) -> float:
        """From an index edge to the release that follows; the edge comes a little before rest."""
        before_rest = max(2 * self.play_deg, INDEX_SHARE * self.wheel.pitch_deg)
        return math.ceil((self.wheel.pitch_deg / 2 + before_rest) * 10) / 10

    @property
    def capacity(self) -> int:
        """Parts in a full magazine."""
        return max(int(MAGAZINE_MM / self.wheel.part.envelope.along_mm), 1)

    def sections(self) -> dict[str, list[Line]]:
        """Every key of the description, without the freeing ladder."""
        return {
            "module": [Line("name", self._name(), "what the module answers to *IDN?")],
            "motor": self._motor(),
            "gear": self._gear(),
            "sprocket": self._sprocket(),
            "limits": self._limits(),
            "part": self._part(),
            "beam": self._beam(),
            "magazine": self._magazine(),
            "joint": [
                Line("located_by", "pins", "two dowel pins; bolts are no locating features"),
                Line("chamfer_mm", 0.6, "on the side that the parts come to"),
            ],
            "recovery": [
                Line("runs", 6, "count runs for one request at most"),
                Line("silent_pockets", 3, "so many pockets in a row without a part end a run"),
                Line("patience_s", 60.0, "an open request waits this long for help"),
                Line("chute_s", 2.0, "a blocked beam may take this long to clear"),
            ],
        }

    def ladder(self) -> list[dict[str, Any]]:
        """The moves that free a jam."""
        rungs = LADDER[self.wheel.part.envelope.orientation]
        return [
            {"move": move, amount: self._firm(move, value), "times": times}
            for move, amount, value, times in rungs
        ]

    def values(self) -> dict[str, Any]:
        """The description as `hostsim.config.convert` takes it."""
        made: dict[str, Any] = {
            section: {line.key: line.value for line in lines}
            for section, lines in self.sections().items()
        }
        made["recovery"]["ladder"] = self.ladder()
        return made

    def _firm(self, move: str, pockets: float) -> float:
        """A move back has to take up the lash first: at least twice that, and short of the edge."""
        if move not in ("reverse", "shake"):
            return pockets
        needed = math.ceil(200 * self.train.lash_deg / self.wheel.pitch_deg) / 100
        return min(max(pockets, needed), 0.45)

    def _name(self) -> str:
        return f"{self.wheel.part.name} module"[:32].removesuffix(" modul").strip()

    def _motor(self) -> list[Line]:
        remarks = {
            "full_steps_per_rev": "look at its label",
            "holding_torque_n_m": self.motor.name,
            "resistance_ohm": "of one winding, with its inductance from the data sheet",
            "supply_v": "of the driver",
            "duty": "share of the time in which it is energised",
        }
        return [Line(key, value, remarks.get(key, "")) for key, value in self.motor.values.items()]

    def _gear(self) -> list[Line]:
        train = self.train
        return [
            Line("stages", [[train.driver, train.driven]],
                 f"[driver, driven] teeth; axes {train.centre_mm:g} mm apart"),
            Line("module_mm", MODULE_MM, "ISO 54"),
            Line("width_mm", GEAR_WIDTH_MM, "of the wheels"),
            Line("friction_n_m", FRICTION_N_M, "at the motor, to turn the empty train"),
        ]  # fmt: skip

    def _sprocket(self) -> list[Line]:
        wheel = self.wheel
        steps = self.train.steps_per_pocket(self.motor.steps_per_turn, wheel.pockets)
        exact = "" if steps.denominator > 1 else ", a whole number"
        return [
            Line("pockets", wheel.pockets, f"{steps} steps to a pocket{exact}"),
            Line("pitch_radius_mm", round(wheel.pitch_radius_mm, 2),
                 f"pockets {wheel.pocket_mm:.2f} mm wide, webs {wheel.web_mm:.2f} mm"),
            Line("inertia_g_cm2", round(max(wheel.inertia_g_cm2, 0.01), 2),
                 f"printed, {2 * wheel.rim_radius_mm:.1f} mm across, {wheel.thickness_mm:.1f} mm"),
            Line("release_deg", self.release_deg,
                 f"index edge to release; half a pitch is {wheel.pitch_deg / 2:.2f}"),
            Line("dwell_deg", self.dwell_deg,
                 f"half a pitch less {wheel.spread_deg:.1f} of spread and the lash"),
            Line("index_sensor", True),
            Line("lash_deg", self.train.lash_deg, "estimated for printed teeth: measure it"),
            Line("rated_pieces", RATED_PIECES, "change the sprocket after so many"),
            Line("scatter_deg", round(wheel.spread_deg * SCATTER_SHARE, 2),
                 "parts mostly let go this near to the edge: half the spread"),
        ]  # fmt: skip

    def _limits(self) -> list[Line]:
        runs = self.runs
        rate = self.velocity_rev_s / float(self.train.ratio) * self.wheel.pockets
        return [
            Line("velocity_rev_s", self.velocity_rev_s, f"{rate:.2f} pockets a second"),
            Line(
                "acceleration_rev_s2",
                runs.acceleration_rev_s2,
                f"to speed in {(1 + JERK_SHARE) * self.ramp_s * 1e3:.0f} ms",
            ),
            Line("jerk_rev_s3", runs.jerk_rev_s3),
            Line("start_stop_rev_s", runs.start_stop_rev_s, "without a ramp"),
            Line("creep_rev_s", runs.creep_rev_s, "for freeing, registering and maintenance"),
        ]

    def _part(self) -> list[Line]:
        part = self.wheel.part
        return [
            Line("name", part.name, part.designation),
            Line("longest_mm", part.longest_mm, "longest extent in any attitude"),
            Line("shortest_mm", part.shortest_mm, "shortest extent that can darken the beam"),
            Line("hole_mm", part.hole_mm, "what light can pass"),
            Line("mass_g", part.mass_g, "nominal"),
            Line("start_mm_s", 20.0, "at most so fast a part leaves its pocket"),
        ]

    def _beam(self) -> list[Line]:
        return [
            Line("drop_mm", self.beam.drop_mm, "from the release edge down to the beam"),
            Line("drop_tolerance_mm", 0.5, "either way"),
            Line("width_mm", 1.0, "of the light; a narrower gap stays dark"),
            Line("bounce_ms", self.beam.bounce_ms, "take a sensor that chatters no longer"),
            Line("response_ms", self.beam.response_ms, "and is no slower"),
            Line("test_output", True, "wire the emitter to an output: the beam must be testable"),
        ]

    def _magazine(self) -> list[Line]:
        envelope = self.wheel.part.envelope
        return [
            Line("capacity", self.capacity, f"a straight channel of {MAGAZINE_MM:g} mm"),
            Line("low_level", self.capacity // LOW_SHARE, "ask for a refill at this many"),
            Line("low_sensor", True, "a sensor sees that level"),
            Line("pitch_mm", round(envelope.along_mm, 2), "from part to part"),
            Line("height_mm", MAGAZINE_MM, "of the column, along the channel"),
            Line("incline_deg", round(self.wheel.incline_deg, 1), "of the channel; 90 is upright"),
            Line("friction", 0.25, "of steel on the channel"),
            Line("side_pressure", 0.4, "what the walls get of the push along the channel"),
            Line("push_n", 0.0, "of a follower on the last part"),
            Line(
                "mouth_pockets",
                self.wheel.mouth_pockets,
                f"while a pocket lies open; the guide has a gap of {self.wheel.mouth_deg:.1f} deg",
            ),
        ]


def text(plan: Plan, head: str) -> str:
    """The description as a file; `head` is said above it, a comment line for each line."""
    parts = ["\n".join(f"# {line}".rstrip() for line in head.splitlines())]
    for section, lines in plan.sections().items():
        rows = [f"[{section}]"]
        for line in lines:
            row = f"{line.key} = {_toml(line.value)}"
            rows.append(f"{row:<30} # {line.remark}" if line.remark else row)
        parts.append("\n".join(rows))
    for rung in plan.ladder():
        rows = [
            f"{key} = {_toml(value)}" for key, value in rung.items() if (key, value) != ("times", 1)
        ]
        parts.append("\n".join(["[[recovery.ladder]]", *rows]))
    return "\n\n".join(parts) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


def _down(value: float, digits: int) -> float:
    """Round down, so that a limit stays a limit."""
    return math.floor(value * 10**digits) / 10**digits
