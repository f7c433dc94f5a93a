"""Mishaps that come from outside the parts: noise, dying sensors, hands in the machine.

Theory of operation
-------------------
Each kind draws from its own random stream, so that turning one on does not change what another
does. Timed kinds put their next event on the agenda; kinds that belong to motion are drawn when a
move starts and happen somewhere inside it. Who opens the guard or takes the bag puts it right
again after a while; a driver fault and a dead sensor stay until a person sees to them.
"""

import math
from collections.abc import Callable

import numpy as np

from controller.board.ports import DRIVE_HEALTHY, GUARD_CLOSED, RECEIVER_READY
from hostsim.plant.agenda import Agenda
from hostsim.plant.beam import Beam
from hostsim.plant.faults import FaultMix
from hostsim.plant.inputs import Inputs
from hostsim.plant.ledger import Ledger

BLIP_LEAST_US = 20
BLIP_SHARE = 0.3  # a blip lasts at most this share of the shortest time a part takes
GUARD_OPEN_US = (500_000, 3_000_000)
RECEIVER_AWAY_US = (300_000, 2_000_000)

SetLevel = Callable[[int, bool], None]


class Mishaps:
    """Draws outside events and lets them happen."""

    def __init__(
        self,
        mix: FaultMix,
        agenda: Agenda,
        ledger: Ledger,
        beam: Beam,
        inputs: Inputs,
        set_level: SetLevel,
        chance: np.random.Generator,
        shortest_dark_us: int,
    ) -> None:
        """`set_level(bit, on)` moves a switch and everything that hangs on it.

        `shortest_dark_us` is the least time in which a part crosses the beam.
        """
        self._mix = mix
        self._blip_us = (BLIP_LEAST_US, BLIP_LEAST_US + int(BLIP_SHARE * shortest_dark_us))
        self._agenda = agenda
        self._ledger = ledger
        self._beam = beam
        self._inputs = inputs
        self._set_level = set_level
        self._noise, self._beam_life, self._index_life, self._moves = chance.spawn(4)
        self._away: set[int] = set()  # levels that somebody has taken away and will put back
        self._beam_number = 0  # of the beam that is fitted: one taken out dies no more
        if mix.noise_per_s:
            self._next_blip()
        if not math.isinf(mix.beam_life_s):
            self._wear_out(self._beam_life, mix.beam_life_s, self._beam_dies)
        if not math.isinf(mix.index_life_s):
            self._wear_out(self._index_life, mix.index_life_s, self._index_dies)

    def move_started(self, lasts_us: int) -> None:
        """A move of that duration has begun."""
        mix = self._mix
        if mix.guard or mix.receiver or mix.drive_fault:
            # Always the same number of draws per move, whatever comes of them.
            draws = self._moves.random(7).tolist()
            begin_us = self._agenda.now_us
            at_us = [begin_us + int(lasts_us * draw) for draw in draws[3:6]]
            if draws[0] < mix.guard:
                away_us = _within(GUARD_OPEN_US, draws[6])
                self._agenda.at(at_us[0], self._take_away, (GUARD_CLOSED, away_us))
            if draws[1] < mix.receiver:
                away_us = _within(RECEIVER_AWAY_US, draws[6])
                self._agenda.at(at_us[1], self._take_away, (RECEIVER_READY, away_us))
            if draws[2] < mix.drive_fault:
                self._agenda.at(at_us[2], self._drive_faults)

    def mend_beam(self) -> None:
        """A person puts in a new beam: it works, for its own life."""
        self._beam.mend()
        self._beam_number += 1
        if 0 < self._mix.beam_life_s < math.inf:
            self._wear_out(self._beam_life, self._mix.beam_life_s, self._beam_dies)

    def _wear_out(
        self, chance: np.random.Generator, life_s: float, end: Callable[[int], None]
    ) -> None:
        if life_s == 0:
            end(self._beam_number)
        else:
            after_us = round(1e6 * chance.exponential(life_s))
            self._agenda.at(self._agenda.now_us + after_us, end, self._beam_number)

    def _next_blip(self) -> None:
        after_us = 1 + round(1e6 * self._noise.exponential(1 / self._mix.noise_per_s))
        self._agenda.at(self._agenda.now_us + after_us, self._blip)

    def _blip(self, _: None) -> None:
        self._ledger.mishaps["noise"] += 1
        lasts_us = int(self._noise.integers(*self._blip_us))
        self._beam.shade(1)
        self._agenda.at(self._agenda.now_us + lasts_us, self._beam.shade, -1)
        self._next_blip()

    def _beam_dies(self, number: int) -> None:
        if number != self._beam_number:
            return
        self._ledger.mishaps["beam"] += 1
        self._beam.die(int(self._beam_life.choice(self._mix.beam_dead)))

    def _index_dies(self, _: int) -> None:
        self._ledger.mishaps["index"] += 1
        self._inputs.index_alive = False

    def _drive_faults(self, _: None) -> None:
        self._ledger.mishaps["drive_fault"] += 1
        self._set_level(DRIVE_HEALTHY, False)

    def _take_away(self, what: tuple[int, int]) -> None:
        bit, away_us = what
        if bit in self._away:
            return
        self._away.add(bit)
        self._ledger.mishaps["guard" if bit == GUARD_CLOSED else "receiver"] += 1
        self._set_level(bit, False)
        self._agenda.at(self._agenda.now_us + away_us, self._put_back, bit)

    def _put_back(self, bit: int) -> None:
        self._away.discard(bit)
        self._set_level(bit, True)


def _within(span_us: tuple[int, int], draw: float) -> int:
    low, high = span_us
    return low + int((high - low) * draw)
