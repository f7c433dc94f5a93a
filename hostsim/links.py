"""The two ways to exchange lines with a module: over a serial port, and inside a simulation.

Theory of operation
-------------------
`Link` is all that the client needs: send a line and get the line that answers it, let time pass,
and come back after the line was lost.  `SerialLink` does so in real time with pyserial.  `SimLink`
does so in the virtual time of a simulated module, so everything above it is the same code whether
it talks to a machine or to a study of ten thousand requests.

An answer that comes too late is the classic way to read the answer to the wrong question.  After
any time-out the serial link therefore clears the module (the byte ETX is its device clear: waiting
input and answers are dropped), and reads on until the module has said who it is.
"""

import errno
import re
import time
from typing import TYPE_CHECKING, Protocol

import serial

from hostsim.answers import ModuleError

if TYPE_CHECKING:  # the simulation is not needed to talk to a machine
    from hostsim.module import SimModule

ETX = b"\x03"
LINE_BYTES_MAX = 65536  # longest answer taken: the list of headers is about a tenth of it
STALE_LINES_MAX = 100  # left of an older conversation: a buffer's worth of short answers
IDENTITY = re.compile(r"[A-Za-z][^,]*(,[^,]*){3}")  # no other answer begins with a letter
REOPEN_PAUSE_S = 0.05
IN_USE = "another program has it open: close that one first"
# What the usual reasons mean that a port can't be opened, and what to do about each.
TROUBLE = {
    errno.ENOENT: "there is no such port; `python -m serial.tools.list_ports` lists what there is",
    errno.EACCES: "you may not use it; on Linux join the group that owns it, often dialout",
    errno.EAGAIN: IN_USE,
    errno.EBUSY: IN_USE,
}
CLEAR_ANSWER_S = 1.0  # a cleared module says who it is within this, or the try has failed


class LinkError(ModuleError):
    """The line is lost, or cannot be opened. The text says what to do."""


class AnswerTimeoutError(LinkError):
    """The module has not answered in time."""


class Link(Protocol):
    """What the client asks of a line."""

    def ask(self, line: str, timeout_s: float) -> str:
        """Send `line`; return the line that answers it. LinkError if none comes in time."""

    def pause(self, seconds: float) -> None:
        """Let time pass."""

    def clock_s(self) -> float:
        """Time since some fixed instant, s."""

    def reopen(self, within_s: float) -> None:
        """Come back after a LinkError, in step with the module. LinkError if that fails."""

    def close(self) -> None:
        """Let go of the line."""


class SerialLink:
    """A module on a serial port or pseudo-terminal, in real time."""

    def __init__(self, port: str, baud: int) -> None:
        self._name = port
        self._baud = baud
        self._port: serial.Serial | None = None
        self.reopen(within_s=0)

    def ask(self, line: str, timeout_s: float) -> str:
        if self._port is None:
            raise LinkError(f"{self._name} is not open: open the client again")
        try:
            self._port.write(line.encode("ascii") + b"\n")
            return self._read_line(timeout_s)
        except (serial.SerialException, OSError) as lost:
            self.close()
            raise LinkError(f"{self._name} is lost: check the cable ({lost})") from lost

    def _read_line(self, timeout_s: float) -> str:
        assert self._port is not None
        self._port.timeout = timeout_s
        data = self._port.read_until(b"\n", LINE_BYTES_MAX)
        if not data.endswith(b"\n"):
            raise AnswerTimeoutError(
                f"no answer on {self._name} within {timeout_s:g} s: "
                f"is a module on it, at {self._baud} baud?"
            )
        return data.decode("ascii", "replace").rstrip("\r\n")

    def reopen(self, within_s: float) -> None:
        deadline_s = self.clock_s() + within_s
        while True:
            self.close()
            try:
                self._open()
                return
            except (LinkError, serial.SerialException, OSError) as trouble:
                if self.clock_s() >= deadline_s:
                    raise LinkError(f"cannot open {self._name}: {told(trouble)}") from trouble
            self.pause(REOPEN_PAUSE_S)

    def _open(self) -> None:
        self._port = serial.Serial(self._name, self._baud, write_timeout=1, exclusive=True)
        self._port.write(ETX + b"\n*CLS;*IDN?\n")
        for _ in range(STALE_LINES_MAX):
            if IDENTITY.fullmatch(self._read_line(CLEAR_ANSWER_S)):
                return
        raise LinkError(f"what is on {self._name} does not say who it is: is it a module?")

    def pause(self, seconds: float) -> None:
        time.sleep(seconds)

    def clock_s(self) -> float:
        return time.monotonic()

    def close(self) -> None:
        if self._port is not None:
            self._port.close()
            self._port = None


def told(trouble: Exception) -> str:
    """Why a port could not be opened, in words that say what to do."""
    if isinstance(trouble, LinkError):
        return str(trouble)
    number = trouble.errno if isinstance(trouble, OSError) else None
    return TROUBLE.get(number or 0, f"it does not work as a serial port ({trouble})")


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

    def reopen(self, within_s: float) -> None:
        """A simulated line is never lost; what was said too late must not be heard later."""
        self._module.write(ETX)
        self._module.run_until(self._module.now_us)
        self._module.read()

    def close(self) -> None:
        self._module.close()
