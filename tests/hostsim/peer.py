"""A scripted module for tests of the client: the far end of a real pseudo-terminal."""

import os
import select
import threading
import tty
from collections.abc import Callable

from hostsim.links import GREETING
from hostsim.serve import hold_on

IDENTITY = "Tallywheel,nut module,7,0.1.0"
FINE = '0,"No error"'
ETX = b"\x03"


class Peer:
    """Answers each line with what `answer(line)` returns; None: silence. A context manager.

    `.lines` is what has been asked. `.late` is an answer that comes when it is no longer
    wanted: just before the module says who it is. `.complaint` is the error it tells then, once.
    `hang_up()` takes the terminal away as pulling a
    plug does, `plug_in()` puts one back under the same name.
    """

    def __init__(self, folder, answer: Callable[[str], str | None]) -> None:
        self.port = str(folder / "port")  # a name that survives the terminal behind it
        self.lines: list[str] = []
        self.late = ""
        self.complaint = FINE
        self._answer = answer
        self._wake, self._woken = os.pipe()
        self._near = self._far = -1
        self._thread: threading.Thread | None = None

    def plug_in(self) -> None:
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.symlink(hold_on(self._far), self.port)
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def hang_up(self) -> None:
        os.write(self._woken, b"!")
        self._thread.join()
        os.read(self._wake, 1)
        os.unlink(self.port)
        os.close(self._far)
        os.close(self._near)

    def _run(self) -> None:
        waiting = b""
        while True:
            ready, _, _ = select.select([self._near, self._wake], [], [])
            if self._wake in ready:
                return
            waiting += os.read(self._near, 4096)
            waiting = waiting[waiting.rfind(ETX) + 1 :]
            *lines, waiting = waiting.split(b"\n")
            for line in lines:
                self._serve(line.decode())

    def _serve(self, line: str) -> None:
        if not line:
            return
        reply: str | None = IDENTITY
        if line == GREETING:
            reply = f"{self.late}{self.complaint};{IDENTITY}"
            self.late, self.complaint = "", FINE
        elif line != "*IDN?":
            self.lines.append(line)
            reply = self._answer(line)
        if reply is not None:
            os.write(self._near, reply.encode() + b"\n")

    def __enter__(self) -> "Peer":
        self.plug_in()
        return self

    def __exit__(self, *_: object) -> None:
        self.hang_up()
        os.close(self._wake)
        os.close(self._woken)
