"""The winding: what torque is left at speed, found by letting current flow through it in time.

Theory of operation
-------------------
A chopper driver tries to hold each phase's current to a cosine; all it can do is put plus or minus
the supply across resistance, inductance and the back-EMF of the turning rotor. One phase of a rotor
turning steadily is followed in small steps of time, for many speeds and many load angles at once.
The current of the second half cycle mirrors that of the first, so half a cycle is run again and
again from the mean of where it began and the mirror of where it ended, which soon repeats itself.
The best load angle of each speed gives the pull-out torque, as a share of that at standstill.

Beyond the table's last speed nothing is left. A table is made once for each kind of motor.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SPEEDS_REV_S = np.concatenate(([0.0], np.geomspace(1.0, 1000.0, 50)))
ANGLES = np.linspace(-np.pi, np.pi, 48, endpoint=False)
STEPS = 96  # of half a cycle
ROUNDS = 12  # half cycles until the current repeats itself


class Curve(NamedTuple):
    """Share of the torque at standstill that is left, over motor speeds in rev/s."""

    rev_s: tuple[float, ...]
    share: tuple[float, ...]

    def at(self, rev_s: Floats) -> Floats:
        """The share at these speeds; 0 beyond the last."""
        return np.interp(rev_s, self.rev_s, self.share, right=0.0)


FLAT = Curve((0.0, 1e4), (1.0, 1.0))


@lru_cache(maxsize=64)
def curve(
    pole_pairs: float,
    peak_n_m: float,
    current_a: float,
    resistance_ohm: float,
    inductance_h: float,
    supply_v: float,
) -> Curve:
    """Follow the current of a motor that stands with `peak_n_m` at a sine of `current_a`."""
    emf_v_s = peak_n_m / current_a  # volts of a phase at 1 rad/s of the shaft: power in = power out
    rate = SPEEDS_REV_S[1:, None] * 2 * np.pi  # shaft, rad/s
    # What is left of a current after one step, and what a volt has made of it: exactly.
    faded = np.pi / (pole_pairs * rate * STEPS) * resistance_ohm / inductance_h
    kept, gain = np.exp(-faded), -np.expm1(-faded) / resistance_ohm
    current = np.zeros((len(SPEEDS_REV_S) - 1, len(ANGLES)))
    work = current
    for _ in range(ROUNDS):
        start, work = current, np.zeros_like(current)
        for step in range(STEPS):
            angle = np.pi * (step + 0.5) / STEPS
            wanted = current_a * np.cos(angle)
            facing = np.cos(angle - ANGLES)
            emf_v = emf_v_s * rate * facing
            # The voltage that would bring the current there in one step, as far as there is any.
            volts = np.clip(emf_v + (wanted - kept * current) / gain, -supply_v, supply_v)
            before, current = current, kept * current + gain * (volts - emf_v)
            work = work + (before + current) / 2 * facing
        current = (start - current) / 2
    # Two phases, each with the mean of current times its facing of the rotor.
    share = 2 * (work / STEPS).max(axis=1) / current_a
    return Curve(tuple(SPEEDS_REV_S.tolist()), (1.0, *np.clip(share, 0.0, 1.0).tolist()))
