"""Torque: whether the rotor can follow a step train, and how far it runs on when it cannot.

Theory of operation
-------------------
The torque a step train asks for is friction plus inertia times acceleration, both taken from the
times of the steps themselves, averaged over one full step of travel: within that angle the rotor
may lag or lead without losing its place. The torque there is falls with speed as the current in the
winding does (`winding.py`). The rotor pulls out at the first step that asks for more than there is.
A start at a constant rate r asks for J x a with a = r^2 per full step, which gives the pull-in rate
the same way.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hostsim.plant.steps import TICKS_PER_S, StepTrain
from hostsim.plant.world import World

Floats = NDArray[np.float64]
VERDICTS_KEPT = 512
NOTHING_N_M = 1e-9


@dataclass(frozen=True)
class PullOut:
    """Where a train loses the rotor: counted from its start, or from its end if `backwards`."""

    step: int
    backwards: bool

    def of(self, train: StepTrain) -> int:
        """The step number in a train of that kind."""
        return train.steps - self.step if self.backwards else self.step


def available_n_m(world: World, rate_rad_s: Floats) -> Floats:
    """Pull-out torque at a motor speed."""
    turns_s = np.abs(rate_rad_s) / (2 * math.pi)
    start_n_m = world.holding_n_m * world.running_share
    return start_n_m * world.torque_curve.at(turns_s / world.torque_corner)


def strain(world: World, step_s: Floats) -> Floats:
    """Torque asked for over torque available, at every step of a train from rest to rest.

    `step_s[i]` is when step i rises; `step_s[0]` is the start. Steps without a full step of
    travel on both sides take the value of the nearest one that has them.
    """
    last, span = len(step_s) - 1, world.steps_per_full_step
    if last < span:
        return np.zeros(last + 1)
    lasted_s = step_s[span:] - step_s[:-span]
    rate = span * world.step_rad / lasted_s  # over the full step that ends at step span + i
    asked = np.empty(last + 1)
    speed = np.empty(last + 1)
    speed[span:], speed[:span] = rate, rate[0]
    asked[:] = world.friction_n_m
    if last >= 2 * span:
        gain_s = (step_s[2 * span :] - step_s[: -2 * span]) / 2
        change = rate[span:] - rate[:-span]
        # Steps rise on whole ticks: a change that rounding alone may make is none.
        blur = 2 * rate[span:] / lasted_s[span:] / TICKS_PER_S
        change = np.sign(change) * np.maximum(np.abs(change) - blur, 0.0) / gain_s
        asked[span : last - span + 1] += world.inertia_kg_m2 * change
    asked[:span] += world.inertia_kg_m2 * rate[0] / lasted_s[0]
    asked[last - span + 1 :] -= world.inertia_kg_m2 * rate[-1] / lasted_s[-1]
    # A rotor without any torque is lost, whatever little is asked of it.
    return np.abs(asked) / np.maximum(available_n_m(world, speed), NOTHING_N_M)


class PullOutCheck:
    """Judges step trains; trains that differ only in their cruise are judged once."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._verdicts: dict[object, PullOut | None] = {}

    def of(self, train: StepTrain) -> PullOut | None:
        """Where the rotor pulls out of `train`, or None."""
        # Two full steps of cruise show everything a longer one has.
        cruise = min(train.cruise_steps, 4 * self._world.steps_per_full_step)
        key = (train.key, cruise)
        if key not in self._verdicts:
            if len(self._verdicts) >= VERDICTS_KEPT:
                self._verdicts.clear()
            self._verdicts[key] = self._judge(train.with_cruise(cruise))
        return self._verdicts[key]

    def _judge(self, train: StepTrain) -> PullOut | None:
        ticks = [train.ticks(step) for step in range(train.steps + 1)]
        beyond = np.flatnonzero(strain(self._world, np.array(ticks) / TICKS_PER_S) > 1)
        if not len(beyond):
            return None
        step = max(int(beyond[0]), 1)
        backwards = step > len(train.head) + train.cruise_steps // 2
        return PullOut(train.steps - step if backwards else step, backwards)


def coast_steps(world: World, rate_steps_s: float) -> float:
    """How far a rotor without torque runs on: kinetic energy over friction."""
    energy_j = world.inertia_kg_m2 * (rate_steps_s * world.step_rad) ** 2 / 2
    return energy_j / (world.friction_n_m * world.step_rad)


def overrun_cycles(world: World, rate_steps_s: float) -> int:
    """Electrical cycles a rotor runs past a field that stops dead at that speed.

    A field at rest holds the rotor in a well of depth 2 T / (poles per radian); what energy is
    left above it is used up by friction, one cycle after the other.
    """
    cycle_rad = world.cycle_steps * world.step_rad
    energy_j = world.inertia_kg_m2 * (rate_steps_s * world.step_rad) ** 2 / 2
    well_j = 2 * world.holding_n_m * world.running_share * cycle_rad / (2 * math.pi)
    if energy_j <= well_j:
        return 0
    return 1 + int((energy_j - well_j) / (world.friction_n_m * cycle_rad))
