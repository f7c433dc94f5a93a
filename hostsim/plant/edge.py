"""The release edge: parts that cling under it and fall late.

Theory of operation
-------------------
A clinging part (oil, a burr, a magnetised part) hangs on as the sprocket turns on. Each time the
sprocket passes a dwell position, where the jolt of the gears meets the least load, it comes off
with probability one half; while the sprocket rests it comes off after an exponential time. It
never comes off close to the release of another pocket, nor to another clinging part, so that its
pulse stands alone: one that fell together with another would be `double_together`, which cannot be
detected.
"""

from collections.abc import Callable

import numpy as np

from hostsim.plant.agenda import Agenda
from hostsim.plant.eventlog import EventLog
from hostsim.plant.fall import Part
from hostsim.plant.faults import FaultMix
from hostsim.plant.ledger import Ledger

OFF_AT_DWELL = 0.5  # probability of coming off as the sprocket passes a dwell position
ALONE_US = 60_000  # between two that fall: longer than parts overlap in the beam


class Edge:
    """Parts under the release edge."""

    def __init__(
        self,
        mix: FaultMix,
        agenda: Agenda,
        log: EventLog,
        ledger: Ledger,
        fall: Callable[[Part], None],
        running: Callable[[], bool],
        chance: np.random.Generator,
    ) -> None:
        """`fall(part)` sends a part down the chute; `running()` tells whether pulses go out."""
        self._mix = mix
        self._agenda = agenda
        self._log = log
        self._ledger = ledger
        self._fall = fall
        self._running = running
        self._chance = chance
        self._parts: list[Part] = []
        self._rests = 0  # numbers the times at rest
        self._alone_us = 0  # until when the part that fell last is to stay alone

    def hold(self, part: Part) -> None:
        """A part does not fall when its pocket lets go of it."""
        self._ledger.in_air += 1
        self._ledger.mishaps["cling"] += 1
        self._log.add(self._agenda.now_us, "a part clings to the edge")
        self._parts.append(part)

    def another_falls(self) -> None:
        """A part begins to fall: at rest none comes off for a while."""
        self._alone_us = self._agenda.now_us + ALONE_US

    def at_dwell(self, _pocket: int, _direction: int) -> None:
        """The sprocket passes a dwell position."""
        if self._parts and self._chance.random() < OFF_AT_DWELL:
            self._come_off()

    def rest(self) -> None:
        """The sprocket has come to rest."""
        self._rests += 1
        if self._parts:
            self._come_off_later()

    def clear(self) -> None:
        """A person wipes the edge."""
        taken = len(self._parts)
        self._parts.clear()
        self._ledger.in_air -= taken
        self._ledger.removed += taken

    def _come_off_later(self) -> None:
        wait_ms = min(self._chance.exponential(self._mix.cling_ms), self._mix.cling_limit_ms)
        due_us = self._agenda.now_us + round(1e3 * wait_ms)
        due_us = max(due_us, self._alone_us)
        self._agenda.at(due_us, self._come_off_at_rest, self._rests)

    def _come_off_at_rest(self, rest: int) -> None:
        if rest != self._rests or self._running() or not self._parts:
            return  # the sprocket has moved since, or a person was here
        self._come_off()
        if self._parts:
            self._come_off_later()

    def _come_off(self) -> None:
        self._log.add(self._agenda.now_us, "a clinging part comes off")
        self.another_falls()
        self._fall(self._parts.pop(0))
