"""A simulated module on a pseudo-terminal, where any serial program can talk to it.

Theory of operation
-------------------
The server holds both ends of a pseudo-terminal.  Clients open the far end by its path, like a
serial port; that the server keeps it open too is what lets a client hang up and come back.  The
terminal is raw: every byte passes unchanged and nothing is echoed.

Virtual time is tied to the wall clock, `speed` times as fast.  The server sleeps until a byte
comes or the next beat is due; beats are short while a conversation or a motion is under way and
long when nothing happens.  When the machine is too slow for the speed asked for, the tie is
let out rather than the client kept waiting: virtual time then simply falls behind.

Answers nobody reads are kept to a bound, as a serial line would lose them too.
"""

import os
import select
import signal
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from hostsim.module import SimModule

BEAT_S = 0.002  # between two looks at a busy module: a tenth of what a person notices
IDLE_BEAT_S = 0.05
BUSY_S = 0.5  # a module counts as busy for so long after the last byte
LAG_MAX_S = 0.25  # of the wall clock: beyond this the tie to virtual time is let out
UNREAD_BYTES_MAX = 65536
READ_BYTES = 4096


class PseudoTerminal:
    """A raw pseudo-terminal; a context manager. `.path` is the end that clients open."""

    def __init__(self) -> None:
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.path = os.ttyname(self._far)
        self._unread = b""

    def wait(self, seconds: float) -> None:
        """Sleep until a byte comes, unread bytes can be sent, or the time is over."""
        select.select([self._near], [self._near] if self._unread else [], [], seconds)

    def read(self) -> bytes:
        """The bytes that have come; b"" if none."""
        try:
            return os.read(self._near, READ_BYTES)
        except BlockingIOError:
            return b""

    def write(self, data: bytes) -> None:
        """Send as much as the terminal takes and keep the rest, up to the bound, for later."""
        self._unread = (self._unread + data)[:UNREAD_BYTES_MAX]
        if self._unread:
            try:
                self._unread = self._unread[os.write(self._near, self._unread) :]
            except BlockingIOError:
                pass

    def __enter__(self) -> "PseudoTerminal":
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._near)
        os.close(self._far)


class TiedTime:
    """Virtual time as the wall clock gives it, `speed` times as fast."""

    def __init__(
        self, speed: float, virtual_us: int, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """`clock` is the wall clock, in s."""
        self._speed = speed
        self._clock = clock
        self._tie(virtual_us)

    def _tie(self, virtual_us: int) -> None:
        self._wall_s = self._clock()
        self._virtual_us = virtual_us

    def target_us(self, reached_us: int) -> int:
        """Where virtual time ought to be, having reached `reached_us`; never a leap."""
        passed_s = self._clock() - self._wall_s
        target_us = self._virtual_us + round(passed_s * self._speed * 1e6)
        leap_us = round(LAG_MAX_S * self._speed * 1e6)
        if target_us - reached_us > leap_us:
            target_us = reached_us + leap_us
            self._tie(target_us)
        return target_us


@contextmanager
def until_told() -> Iterator[None]:
    """Run the body until SIGINT or SIGTERM ends it, which counts as a normal end."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    previous = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    except KeyboardInterrupt:
        pass
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)


def serve(
    module: SimModule, terminal: PseudoTerminal, speed: float, look: Callable[[], None]
) -> None:
    """Keep bytes and time flowing until interrupted; `look` is called once a beat."""
    tied = TiedTime(speed, module.now_us)
    busy_until_s = 0.0
    while True:
        now_s = time.monotonic()
        terminal.wait(BEAT_S if now_s < busy_until_s else IDLE_BEAT_S)
        received = terminal.read()
        if received:
            module.write(received)
        module.run_until(tied.target_us(module.now_us))
        answered = module.read()
        terminal.write(answered)
        if received or answered:
            busy_until_s = time.monotonic() + BUSY_S
        look()
