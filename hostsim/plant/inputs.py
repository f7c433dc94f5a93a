"""Inputs: the level bits and the pocket index sensor, as the board would read them.

Bits and codes are those of the ports: what the two sides of a wire have in common.
"""

from controller.board.ports import (
    DRIVE_HEALTHY,
    GIVE,
    GUARD_CLOSED,
    LEVELS_CHANGED,
    MAGAZINE_OK,
    POCKET_INDEX,
    POCKET_INDEX_LEFT,
    RECEIVER_READY,
)
from hostsim.plant.agenda import Agenda
from hostsim.plant.eventlog import EventLog

ALL_READY = GUARD_CLOSED | MAGAZINE_OK | RECEIVER_READY | DRIVE_HEALTHY
NAMES = {
    GUARD_CLOSED: ("guard open", "guard shut"),
    MAGAZINE_OK: ("magazine low", "magazine filled"),
    RECEIVER_READY: ("receiver gone", "receiver in place"),
    DRIVE_HEALTHY: ("driver fault", "driver healthy"),
    GIVE: ("give low", "give high"),
}

LAPSES_HELD = GUARD_CLOSED | DRIVE_HEALTHY  # as the ports ask of a board


class Inputs:
    """Levels now, and what changed since the board last took the list."""

    def __init__(self, agenda: Agenda, log: EventLog) -> None:
        self.levels = ALL_READY
        self.changes: list[tuple[int, int]] = []
        self.index_alive = True
        self._lapsed = 0  # bits that have been 0 since the board last looked
        self._agenda = agenda
        self._log = log

    def set(self, bit: int, on: bool) -> bool:
        """Drive one level bit; returns whether that changed anything (which is urgent)."""
        levels = self.levels | bit if on else self.levels & ~bit
        if levels == self.levels:
            return False
        self.levels = levels
        self._lapsed |= LAPSES_HELD & ~levels
        self.changes.append((self._agenda.now_us, LEVELS_CHANGED))
        self._log.add(self._agenda.now_us, NAMES[bit][on])
        self._agenda.urgent = True
        return True

    def look(self) -> int:
        """The levels for the board: a guard or driver that was off for an instant is off once."""
        levels = self.levels & ~self._lapsed
        self._lapsed = 0
        return levels

    def index_edge(self, came: bool) -> None:
        """An edge of the index flag is at its sensor, which sees the flag from now on or not."""
        if self.index_alive:
            self.changes.append((self._agenda.now_us, POCKET_INDEX if came else POCKET_INDEX_LEFT))
