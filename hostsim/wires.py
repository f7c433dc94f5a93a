"""Wires: how bytes get to modules and back, in real time and in virtual time.

Theory of operation
-------------------
A `Wire` carries bytes and knows nothing of what they mean; what a line of SCPI or a frame of Modbus
is, is the business of `hostsim.links` and `hostsim.modbus_master` on top of it.  `SerialWire` is a
serial port, by pyserial, in real time.  `SimWire` is the master's end of a simulated line, in the
virtual time of the modules on it.  Everything above is the same code on either.

A wire that is lost raises LinkError and is closed.  `come_back` opens it again: again and again
until what is at the other end has answered, or the time for it is over.
"""

import errno
import math
import select
import termios
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

import serial

from hostsim.errors import LinkError

if TYPE_CHECKING:  # the simulation is not needed to talk to a machine
    from hostsim.sharedline import SharedLine

REOPEN_PAUSE_S = 0.05
TROUBLES = (serial.SerialException, OSError, termios.error)  # all that a port may raise
READ_BYTES = 4096  # at most at once: what a serial driver buffers
IN_USE = "another program has it open: close that one first"
# What the usual reasons mean that a port can't be opened, and what to do about each.
TROUBLE = {
    errno.ENOENT: "there is no such port; `python -m serial.tools.list_ports` lists what there is",
    errno.EACCES: "you may not use it; on Linux join the group that owns it, often dialout",
    errno.EAGAIN: IN_USE,
    errno.EBUSY: IN_USE,
}


class Wire(Protocol):
    """What the links ask of a wire."""

    name: str  # as a person knows it

    def open(self) -> None:
        """Open it, anew if it is open already. LinkError if that fails."""

    def write(self, data: bytes) -> None:
        """Send bytes. LinkError when the wire is lost."""

    def read(self, timeout_s: float) -> bytes:
        """What has come by now, or comes first within `timeout_s`; b"" if nothing does."""

    def pause(self, seconds: float) -> None:
        """Let time pass."""

    def clock_s(self) -> float:
        """Time since some fixed instant, s."""

    def close(self) -> None:
        """Let go of it."""


class SerialWire:
    """A serial port or pseudo-terminal. `parity` as in pyserial: "N", "E", "O"."""

    def __init__(self, port: str, baud: int, parity: str = serial.PARITY_NONE) -> None:
        self.name = port
        self._baud = baud
        self._parity = parity
        self._port: serial.Serial | None = None

    def open(self) -> None:
        self.close()
        try:
            try:
                self._port = self._serial(self._parity)
            except termios.error:  # a pseudo-terminal has no parity bit
                self._port = self._serial(serial.PARITY_NONE)
        except TROUBLES as trouble:
            raise LinkError(told(trouble)) from trouble

    def _serial(self, parity: str) -> serial.Serial:
        return serial.Serial(
            self.name, self._baud, parity=parity, timeout=0, write_timeout=1, exclusive=True
        )

    def write(self, data: bytes) -> None:
        port = self._open_port()
        try:
            port.write(data)
        except TROUBLES as lost:
            raise self._lost(lost) from lost

    def read(self, timeout_s: float) -> bytes:
        port = self._open_port()
        try:
            # Not by the port's own time-out: to change that sets up the whole port anew.
            ready, _, _ = select.select([port.fileno()], [], [], timeout_s)
            return port.read(READ_BYTES) if ready else b""
        except TROUBLES as lost:
            raise self._lost(lost) from lost

    def _open_port(self) -> serial.Serial:
        if self._port is None:
            raise LinkError(f"{self.name} is not open: open the client again")
        return self._port

    def _lost(self, why: Exception) -> LinkError:
        self.close()
        return LinkError(f"{self.name} is lost: check the cable ({why})")

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
    number = trouble.errno if isinstance(trouble, OSError) else None
    return TROUBLE.get(number or 0, f"it does not work as a serial port ({trouble})")


class SimWire:
    """The master's end of a simulated line, in the virtual time of the modules on it."""

    name = "the simulated line"

    def __init__(self, line: "SharedLine") -> None:
        self._line = line

    def open(self) -> None:
        """What came while nobody listened is gone."""
        self._line.read()

    def write(self, data: bytes) -> None:
        self._line.write(data)

    def read(self, timeout_s: float) -> bytes:
        return self._line.read_within(math.ceil(timeout_s * 1e6))

    def pause(self, seconds: float) -> None:
        self._line.run_until(self._line.now_us + round(seconds * 1e6))

    def clock_s(self) -> float:
        return self._line.now_us / 1e6

    def close(self) -> None:
        """The line stays; so do the modules on it."""


def come_back(wire: Wire, within_s: float, greet: Callable[[], None]) -> None:
    """Open `wire` until `greet` has got an answer over it. LinkError after `within_s` without."""
    deadline_s = wire.clock_s() + within_s
    while True:
        try:
            wire.open()
            greet()
            return
        except LinkError as trouble:
            wire.close()
            if wire.clock_s() >= deadline_s:
                raise LinkError(f"cannot open {wire.name}: {trouble}") from trouble
        wire.pause(REOPEN_PAUSE_S)
