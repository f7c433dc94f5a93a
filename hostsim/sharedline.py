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

from collections.abc import Callable, Sequence

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
        self._clock = modules[0].plant  # they all have the same time
        self.medium = Line(faults, seed)
        self._wire = wire
        self._unread = b""
        self.on_heard: Callable[[bytes], None] = self._keep  # what the master hears, as it does

    @property
    def now_us(self) -> int:
        """Virtual time."""
        return self._clock.now_us

    def due_us(self) -> int:
        """When the next firmware wants to be called, or the next telegram arrives."""
        due_us = self._round_us()
        arrives_us = self.medium.due_us()
        return due_us if arrives_us is None else min(due_us, arrives_us)

    def _round_us(self) -> int:
        """When the next firmware wants to be called."""
        return min([module.board.due_us for module in self.modules])

    def write(self, data: bytes, at_us: int = 0) -> None:
        """The master says something, now or at `at_us`."""
        now_us = self.now_us
        if at_us > now_us and not self.medium.passes(now_us):
            self.run_until(at_us)
            now_us = at_us
        self._say(now_us, MASTER, data, at_us)

    def _keep(self, data: bytes) -> None:
        self._unread += data

    def read(self) -> bytes:
        """Take what the master has heard, unless it goes elsewhere."""
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
        now_us = self.now_us
        while True:
            now_us = self._next_us(now_us, until_us)
            self._slice(now_us)
            if now_us >= until_us:
                arrives_us = self.medium.due_us()
                if arrives_us is None or arrives_us > now_us:
                    return

    def _next_us(self, now_us: int, until_us: int) -> int:
        """Where to look next: no sooner than anything may have been said, nor after an arrival."""
        if until_us > now_us + SLICE_US:
            until_us = min(until_us, max(now_us + SLICE_US, self._round_us()))
        arrives_us = self.medium.due_us()
        return until_us if arrives_us is None else min(until_us, max(now_us, arrives_us))

    def _slice(self, until_us: int) -> None:
        wire = self._wire
        for module in self.modules:
            module.run_until(until_us)
        for number, module in enumerate(self.modules):
            said = module.board.read(wire)
            if said:
                self._say(until_us, number, said)
        if self.medium.due_us() is not None:
            self._deliver(until_us)

    def _say(self, now_us: int, sender: int, data: bytes, at_us: int = 0) -> None:
        medium = self.medium
        if medium.passes(now_us):
            self._hand_on(sender, data, at_us)
        else:
            medium.send(now_us, sender, data)
            self._deliver(now_us)

    def _deliver(self, now_us: int) -> None:
        for sender, data in self.medium.arrived(now_us):
            self._hand_on(sender, data)

    def _hand_on(self, sender: int, data: bytes, at_us: int = 0) -> None:
        if sender != MASTER:
            self.on_heard(data)
        for number, module in enumerate(self.modules):
            if number != sender:
                module.board.write(data, self._wire, at_us)
