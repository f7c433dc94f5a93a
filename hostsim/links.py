"""The two ways to exchange lines of text with a module: over a wire, and inside a simulation.

Theory of operation
-------------------
`Link` is all that the SCPI client needs: send a line and get the line that answers it, let time
pass, and come back after the line was lost.  `TextLink` does so over any wire (`hostsim.wires`).
`SimLink` is a straight way into one simulated module, for studies of ten thousand requests.

An answer that comes too late is the classic way to read the answer to the wrong question.  After
any time-out the link therefore clears the module (the byte ETX is its device clear: waiting
input and answers are dropped), and reads on until the module has said who it is, before it asks
anything else.  In the same breath it asks for the oldest error, for a module that finds a line ill
formed does not answer it: what looks like a lost answer may be a refusal.
"""

import re
from typing import TYPE_CHECKING, Protocol

from hostsim.answers import units
from hostsim.errors import AnswerTimeoutError, LinkError
from hostsim.wires import Wire, come_back

if TYPE_CHECKING:  # the simulation is not needed to talk to a machine
    from hostsim.module import SimModule

ETX = b"\x03"
GREETING = "SYSTem:ERRor?;*CLS;*IDN?"
LINE_BYTES_MAX = 65536  # longest answer taken: the list of headers is about a tenth of it
STALE_LINES_MAX = 100  # left of an older conversation: a buffer's worth of short answers
GREETED = re.compile(r'(-?\d+,".*");[A-Za-z][^,]*(,[^,]*){3}')  # what the module says to that
CLEAR_ANSWER_S = 1.0  # a cleared module says who it is within this, or the try has failed


class Link(Protocol):
    """What the client asks of a line."""

    def ask(self, line: str, timeout_s: float) -> str:
        """Send `line`; return the line that answers it. LinkError if none comes in time."""

    def pause(self, seconds: float) -> None:
        """Let time pass."""

    def clock_s(self) -> float:
        """Time since some fixed instant, s."""

    def reopen(self, within_s: float) -> str:
        """Come back after a LinkError, in step with the module. LinkError if that fails.

        Returns the oldest entry of the module's error queue, which is empty from then on.
        """

    def close(self) -> None:
        """Let go of the line."""


class TextLink:
    """A module at the other end of a wire. Raises LinkError when there is none."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self._heard = b""  # behind the line that was read last
        self._in_step = False  # whether the next answer can be no old one
        self._complaint = ""  # the oldest error there was when the module was cleared
        self.reopen(within_s=0)

    def ask(self, line: str, timeout_s: float) -> str:
        if not self._in_step:
            self._greet()
        self._in_step = False
        self._heard = b""
        self._wire.write(line.encode("ascii") + b"\n")
        answer = self._read_line(timeout_s)
        self._in_step = True
        return answer

    def _read_line(self, timeout_s: float) -> str:
        wire = self._wire
        deadline_s = wire.clock_s() + timeout_s
        while b"\n" not in self._heard:
            left_s = deadline_s - wire.clock_s()
            if left_s <= 0 or len(self._heard) > LINE_BYTES_MAX:
                raise AnswerTimeoutError(
                    f"no answer on {wire.name} within {timeout_s:g} s: "
                    "is a module on it, at this baud rate, speaking SCPI?"
                )
            self._heard += wire.read(left_s)
        line, _, self._heard = self._heard.partition(b"\n")
        return line.decode("ascii", "replace").rstrip("\r")

    def reopen(self, within_s: float) -> str:
        come_back(self._wire, within_s, self._greet)
        return self._complaint

    def _greet(self) -> None:
        """Clear the module and read on until it has said who it is."""
        self._in_step = False
        self._heard = b""
        self._wire.write(ETX + b"\n" + GREETING.encode() + b"\n")
        for _ in range(STALE_LINES_MAX):
            if greeted := GREETED.fullmatch(self._read_line(CLEAR_ANSWER_S)):
                self._complaint = greeted[1]
                self._in_step = True
                return
        raise LinkError(f"what is on {self._wire.name} does not say who it is: is it a module?")

    def pause(self, seconds: float) -> None:
        self._wire.pause(seconds)

    def clock_s(self) -> float:
        return self._wire.clock_s()

    def close(self) -> None:
        self._wire.close()


class SimLink:
    """A simulated module in this process, in its own virtual time."""

    def __init__(self, module: "SimModule") -> None:
        self._module = module

    def ask(self, line: str, timeout_s: float) -> str:
        try:
            return self._module.ask(line, round(timeout_s * 1e6))
        except TimeoutError as error:
            raise AnswerTimeoutError(str(error)) from error

    def pause(self, seconds: float) -> None:
        self._module.run_until(self._module.now_us + round(seconds * 1e6))

    def clock_s(self) -> float:
        return self._module.now_us / 1e6

    def reopen(self, within_s: float) -> str:
        """A simulated line is never lost; what was said too late must not be heard later."""
        self._module.write(ETX)
        self._module.run_until(self._module.now_us)
        self._module.read()
        return units(self.ask(GREETING, CLEAR_ANSWER_S))[0]

    def close(self) -> None:
        self._module.close()
