"""The beam: what the through-beam sensor reads, whatever is in front of it.

Theory of operation
-------------------
Everything that takes light away (a part, a noise blip, a lodged part) adds 1 while it does so, and
everything that lets light through again subtracts 1; the beam is blocked while the sum is positive
or the test output holds the emitter dark. A dead beam keeps to one level whatever happens; when it
is mended it shows at once what is really there.
"""

from hostsim.plant.agenda import Agenda
from hostsim.plant.eventlog import EventLog


class Beam:
    """The sensor's level and its edges."""

    def __init__(self, respond_us: int, agenda: Agenda, log: EventLog) -> None:
        self.edges: list[tuple[int, int]] = []  # (time_us, blocked), until the board takes them
        self.blocked = 0
        self._respond_us = respond_us
        self._agenda = agenda
        self._log = log
        self._shades = 0
        self._emitter_dark = False
        self._stuck: int | None = None

    def shade(self, amount: int) -> None:
        """Take light away (1) or give it back (-1), now."""
        self._shades += amount
        if self._stuck is None and not self._emitter_dark:
            blocked = 1 if self._shades > 0 else 0
            if blocked != self.blocked:
                self._show(blocked)

    def test(self, on: bool) -> None:
        """Switch the test output; the beam answers after its response time."""
        self._agenda.at(self._agenda.now_us + self._respond_us, self._darken, on)

    def die(self, level: int) -> None:
        """Read `level` from now on."""
        self._stuck = level
        self._log.add(self._agenda.now_us, f"beam dead at {level}")
        self._refresh()

    def mend(self) -> None:
        """Put in a working sensor."""
        self._stuck = None
        self._refresh()

    def _darken(self, on: bool) -> None:
        self._emitter_dark = on
        self._refresh()

    def _refresh(self) -> None:
        blocked = 1 if self._shades > 0 or self._emitter_dark else 0
        if self._stuck is not None:
            blocked = self._stuck
        if blocked != self.blocked:
            self._show(blocked)

    def _show(self, blocked: int) -> None:
        now_us = self._agenda.now_us
        self.blocked = blocked
        self.edges.append((now_us, blocked))
        self._log.add(now_us, "beam blocked" if blocked else "beam clear")
