"""A test rig for the plant: a module description as a plain object, moves made from formulas
in floating point, and a bench that drives the plant and takes down all it shows.

Nothing here comes from the firmware, whose planner and settings have tests of their own.
"""

import itertools
import math
from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from controller.board.ports import RUNNING
from hostsim.plant.eventlog import EventLog
from hostsim.plant.faults import FaultMix
from hostsim.plant.plant import Plant
from hostsim.plant.world import World

TICK_HZ = 5_000_000
OVERHEAD_TICKS = 14


def nut_values() -> dict[str, Any]:
    """An M4 nut module much like the shipped one, but the tests' own."""
    return {
        "motor": {
            "full_steps_per_rev": 200,
            "microsteps": 16,
            "holding_torque_n_m": 0.4,
            "rotor_inertia_g_cm2": 54.0,
        },
        "gear": {"stages": [[17, 51]]},
        "sprocket": {
            "pockets": 7,
            "inertia_g_cm2": 20.0,
            "release_deg": 30.0,
            "dwell_deg": 19.0,
            "index_sensor": True,
            "lash_deg": 1.0,
            "rated_pieces": 200_000,
        },
        "limits": {"creep_rev_s": 0.25},
        "part": {"longest_mm": 8.7, "shortest_mm": 2.9, "hole_mm": 3.5},
        "beam": {"drop_mm": 20.0, "bounce_ms": 0.2, "response_ms": 0.05},
        "magazine": {"capacity": 250, "low_level": 25, "low_sensor": True},
    }


@dataclass
class Description:
    """Stands for hostsim.config.ModuleConfig."""

    values: dict[str, Any] = field(default_factory=nut_values)


@dataclass
class Move:
    """Stands for controller.motion.words.Move."""

    direction: int
    head: "array[int]"
    cruise_steps: int
    cruise_ticks: int
    tail: "array[int]"


CREEP_STEPS_S = 0.25 * 3200
CRUISE_STEPS_S = 4.33 * 3200  # 10.1 pockets a second
ACCELERATION_STEPS_S2 = 60 * 3200


def at_rate(steps: int, rate_steps_s: float, direction: int = 1) -> Move:
    """Constant rate from the first step."""
    ticks = math.ceil(TICK_HZ / rate_steps_s)
    return Move(direction, array("I"), steps, ticks, array("I"))


def ramped(
    steps: int,
    rate_steps_s: float = CRUISE_STEPS_S,
    acceleration_steps_s2: float = ACCELERATION_STEPS_S2,
    direction: int = 1,
) -> Move:
    """Constant acceleration, t = sqrt(2 k / a) for step k, up to the rate or to half way."""
    ramp = min(round(rate_steps_s**2 / (2 * acceleration_steps_s2)), steps // 2)
    times = [round(TICK_HZ * math.sqrt(2 * k / acceleration_steps_s2)) for k in range(ramp + 1)]
    words = [(after - before - OVERHEAD_TICKS) << 12 for before, after in itertools.pairwise(times)]
    cruise = max(math.ceil(TICK_HZ / rate_steps_s), (words[-1] >> 12) + OVERHEAD_TICKS)
    return Move(direction, array("I", words), steps - 2 * ramp, cruise, array("I", words[::-1]))


class Rig:
    """A plant with its motor on, and everything it has shown so far."""

    def __init__(
        self,
        faults: str | FaultMix = "none",
        seed: int = 1,
        values: dict[str, Any] | None = None,
        **world: Any,
    ) -> None:
        description = Description(values or nut_values())
        self.log = EventLog()
        self.world = World.of(description, **world)
        self.plant = Plant(description, seed, faults, self.log, world=self.world)
        self.plant.drive_enable(True)
        self.edges: list[tuple[int, int]] = []
        self.changes: list[tuple[int, int]] = []
        self.slice_us = 10**9  # time goes on in pieces no longer than this
        self.watch: Callable[[], None] = lambda: None  # called after every piece
        self._commanded = 0.0

    def wait(self, duration_us: int) -> None:
        """Let time pass, whatever happens in it."""
        end_us = self.plant.now_us + duration_us
        while self.plant.now_us < end_us:
            self._go_on(end_us)

    def start(self, move: Move) -> None:
        """Begin a move."""
        self.plant.drive_start(move)

    def rest(self) -> None:
        """Let time pass until the move has ended, which is urgent."""
        while self.plant.drive_status()[0] & RUNNING:
            self._go_on(self.plant.now_us + 10**9)

    def run(self, pockets: float, fall_us: int = 500_000, **ramp: float) -> None:
        """Go on by so many pockets, rounded from an exact target, and let everything fall."""
        before = round(self._commanded * self.world.steps_per_pocket)
        self._commanded += pockets
        steps = round(self._commanded * self.world.steps_per_pocket) - before
        self.start(ramped(abs(steps), direction=1 if steps > 0 else -1, **ramp))
        self.rest()
        self.wait(fall_us)

    def creep(self, pockets: float, fall_us: int = 500_000) -> None:
        """The same at the creep rate."""
        before = round(self._commanded * self.world.steps_per_pocket)
        self._commanded += pockets
        steps = round(self._commanded * self.world.steps_per_pocket) - before
        self.start(at_rate(abs(steps), CREEP_STEPS_S, 1 if steps > 0 else -1))
        self.rest()
        self.wait(fall_us)

    def _go_on(self, until_us: int) -> None:
        plant = self.plant
        plant.advance(min(until_us, plant.now_us + self.slice_us))
        self.edges += plant.edges
        self.changes += plant.changes
        plant.edges, plant.changes = [], []
        self.watch()

    def pulses(self) -> list[tuple[int, int]]:
        """The blocked times so far, as (start_us, width_us)."""
        starts = [time_us for time_us, blocked in self.edges if blocked]
        ends = [time_us for time_us, blocked in self.edges if not blocked]
        return [(start, end - start) for start, end in zip(starts, ends, strict=False)]

    def said(self, text: str) -> list[int]:
        """Times of the log lines that contain `text`."""
        return [time_us for time_us, line in self.log.entries if text in line]
