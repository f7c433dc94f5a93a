"""Simulated modules on a pseudo-terminal, where any serial program can talk to them.

Theory of operation
-------------------
The server holds both ends of a pseudo-terminal.  Clients open the far end by its path, like a
serial port; that the server keeps it open too is what lets a client hang up and come back.  The
terminal is raw: every byte passes unchanged and nothing is echoed.

The system gives the number of a terminal that has gone to the next one that anybody opens.  A name
that leads to the number would then lead a client, which waits for its module to come back, to some
other program's terminal.  So a name leads to the server's own hold on it, and ends with the server.

Virtual time is tied to the wall clock, `speed` times as fast.  The server sleeps until a byte
comes, or until a firmware wants to be called.  When the machine is too slow for the speed asked
for, the tie is let out rather than the client kept waiting: virtual time then simply falls behind.

Answers nobody reads are kept to a bound, as a serial line would lose them too.
"""

import gc
import os
import select
import signal
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from hostsim.sharedline import SharedLine

NAP_LEAST_S = 0.0005  # shorter naps than this cost more than they bring
NAP_MOST_S = 0.02  # what happens to the world unasked, such as a guard opened, is seen within this
LAG_MAX_S = 0.25  # of the wall clock: beyond this the tie to virtual time is let out
GARBAGE_MAX = 20_000  # things made and kept before loops among them are looked for: there are few
UNREAD_BYTES_MAX = 65536
READ_BYTES = 4096


def hold_on(descriptor: int) -> str:
    """The path of what this process has open there, for as long as it has."""
    return f"/proc/{os.getpid()}/fd/{descriptor}"


class PseudoTerminal:
    """A raw pseudo-terminal; a context manager. `.path` is the end that clients open.

    `name` is a further path for that end, a symbolic link, which stays the same when the server
    ends and another one begins. FileExistsError if something else is there already, or a link that
    leads somewhere: to what another server has open.
    """

    def __init__(self, name: Path | None = None) -> None:
        if name is not None and name.is_symlink():
            if name.exists():
                raise FileExistsError(f"{name} leads somewhere")
            name.unlink()  # left by a server that had no time to tidy up
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.path = os.ttyname(self._far)
        self._name = name
        self._unread = b""
        self._poll = select.epoll()
        self._poll.register(self._near, select.EPOLLIN)
        if name is not None:
            name.symlink_to(hold_on(self._far))
            self.path = str(name)

    def read(self, seconds: float) -> bytes:
        """The bytes that have come; else sleep until some come or the time is over: b""."""
        return os.read(self._near, READ_BYTES) if self._poll.poll(seconds) else b""

    def write(self, data: bytes) -> None:
        """Send as much as the terminal takes and keep the rest, up to the bound, for later."""
        self._unread = (self._unread + data)[:UNREAD_BYTES_MAX]
        self.flush()

    def flush(self) -> None:
        """Send what is kept, as far as the terminal takes it; to be called now and then."""
        if self._unread:
            try:
                self._unread = self._unread[os.write(self._near, self._unread) :]
            except BlockingIOError:
                pass

    def __enter__(self) -> "PseudoTerminal":
        return self

    def __exit__(self, *_: object) -> None:
        if self._name is not None:
            self._name.unlink(missing_ok=True)
        self._poll.close()
        os.close(self._near)
        os.close(self._far)


class TiedTime:
    """Virtual time as the wall clock gives it, `speed` times as fast."""

    def __init__(
        self, speed: float, virtual_us: int, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """`clock` is the wall clock, in s."""
        self._us_per_s = speed * 1e6
        self._leap_us = round(LAG_MAX_S * self._us_per_s)
        self._clock = clock
        self._tie(virtual_us)

    def _tie(self, virtual_us: int) -> None:
        self._wall_s = self._clock()
        self._virtual_us = virtual_us

    def target_us(self, reached_us: int) -> int:
        """Where virtual time ought to be, having reached `reached_us`; never a leap."""
        target_us = self._virtual_us + round((self._clock() - self._wall_s) * self._us_per_s)
        if target_us - reached_us > self._leap_us:
            target_us = reached_us + self._leap_us
            self._tie(target_us)
        return target_us

    def until_s(self, due_us: int) -> float:
        """How long the wall clock takes to get to that virtual time; 0 if it is there."""
        ahead_us = due_us - self._virtual_us
        return max(0.0, ahead_us / self._us_per_s - (self._clock() - self._wall_s))


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
    line: SharedLine, terminal: PseudoTerminal, speed: float, looks: Sequence[Callable[[], None]]
) -> None:
    """Keep bytes and time flowing until interrupted; `looks` are called at every turn."""
    gc.collect()
    gc.freeze()  # what is there now stays: to go through it again and again would only hold up
    gc.set_threshold(GARBAGE_MAX)
    line.on_heard = terminal.write
    tied = TiedTime(speed, line.now_us)
    while True:
        nap_s = min(max(tied.until_s(line.due_us()), NAP_LEAST_S), NAP_MOST_S)
        received = terminal.read(nap_s)
        target_us = tied.target_us(line.now_us)
        if received:
            line.write(received, target_us)
        line.run_until(target_us)
        terminal.flush()
        for look in looks:
            look()
