"""Simulated modules on one line, as on an RS-485 pair, in virtual time.

Theory of operation
-------------------
There is one medium.  What the master writes is heard by every module; what a module says is heard
by the master and by every other module, which must not take it for a question.  Nobody hears
himself.  Two modules never talk at once as long as each answers to its own address only; nothing
here would repair it if they did.

All modules live in the same virtual time: the line lets them run side by side, a slice at a time
and no further than the next telegram's arrival.  `faults` spoils what the medium carries
(`hostsim.plant.line`).
"""

from collections.abc import Sequence

from hostsim.board import BUS
from hostsim.module import SimModule
from hostsim.plant.line import Line, LineMix

SLICE_US = 1_000  # least time between two looks at what the modules have said
MASTER = -1  # its number as a station; a module's is its place in the list


class SharedLine:
    """A line with modules on it; the caller is its master."""

    def __init__(
        self,
        modules: Sequence[SimModule],
        wire: int = BUS,
        faults: str | LineMix = "none",
        seed: int = 1,
    ) -> None:
        """`wire`: which of the boards' lines it is, `hostsim.board.LINE` or `BUS`."""
        self.modules = modules
        self.medium = Line(faults, seed)
        self._wire = wire
        self._unread = b""

    @property
    def now_us(self) -> int:
        """Virtual time."""
        return self.modules[0].now_us

    def due_us(self) -> int:
        """When the next firmware wants to be called, or the next telegram arrives."""
        due_us = min(module.board.due_us for module in self.modules)
        arrives_us = self.medium.due_us()
        return due_us if arrives_us is None else min(due_us, arrives_us)

    def write(self, data: bytes) -> None:
        """The master says something."""
        self.medium.send(self.now_us, MASTER, data)
        self._deliver()

    def read(self) -> bytes:
        """Take what the master has heard."""
        data, self._unread = self._unread, b""
        return data

    def read_within(self, timeout_us: int) -> bytes:
        """Let time pass until the master hears something; b"" when the time is over."""
        limit_us = self.now_us + timeout_us
        self.run_until(self.now_us)
        while not self._unread and self.now_us < limit_us:
            self.run_until(min(self.now_us + SLICE_US, limit_us))
        return self.read()

    def run_until(self, until_us: int) -> None:
        """Let virtual time pass up to `until_us`."""
        while True:
            self._slice(self._next_us(until_us))
            if self.now_us >= until_us and not self._arrived():
                return

    def _next_us(self, until_us: int) -> int:
        """Where to look next: no sooner than anything may have been said, nor after an arrival."""
        next_us = max(self.now_us + SLICE_US, min(module.board.due_us for module in self.modules))
        arrives_us = self.medium.due_us()
        if arrives_us is not None:
            next_us = max(self.now_us, min(next_us, arrives_us))
        return min(next_us, until_us)

    def _arrived(self) -> bool:
        arrives_us = self.medium.due_us()
        return arrives_us is not None and arrives_us <= self.now_us

    def _slice(self, until_us: int) -> None:
        for module in self.modules:
            module.run_until(until_us)
        for number, module in enumerate(self.modules):
            said = module.board.read(self._wire)
            if said:
                self.medium.send(until_us, number, said)
        self._deliver()

    def _deliver(self) -> None:
        for sender, data in self.medium.arrived(self.now_us):
            if sender != MASTER:
                self._unread += data
            for number, module in enumerate(self.modules):
                if number != sender:
                    module.board.write(data, self._wire)
