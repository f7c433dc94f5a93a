"""What really fell out of a served module, in a file, for whoever wants to judge what it says.

Theory of operation
-------------------
A module that is served ends with its process, and the plant's ledger with it.  What outlives both
is this file: a row for each part as it falls, and for what happened around it.  A part belongs to
the request that was opened last (0: none since the server began), even if that has closed: it
falls into the same bag.  Each row is in the file before the firmware has heard of the part, so that
killing the process leaves nothing untold.

Columns: `time_us` since this power-up, in virtual time; `module`, its bus address; `what`: power,
open, part, closed; `ticket`.
"""

from pathlib import Path
from typing import TextIO

from controller.record import events
from hostsim.engine import Note
from hostsim.module import SimModule

HEADING = "time_us,module,what,ticket"
KINDS = {events.BOOT: "power", events.REQUEST_OPEN: "open", events.REQUEST_CLOSED: "closed"}


class TruthLog:
    """Writes the truth about one module to a file that several may share."""

    def __init__(self, module: SimModule, file: TextIO) -> None:
        """`file` as `open_log` returns it. Takes over `module.board.on_note`, and passes on."""
        self._address = module.config.settings.bus_address
        self._file = file
        self._ticket = 0
        self._pass_on = module.board.on_note
        module.board.on_note = self._take_note
        module.plant.truth.on_pass = lambda time_us: self._tell(time_us, "part", self._ticket)
        self._tell(module.now_us, "power", 0)

    def _take_note(self, note: Note) -> None:
        time_us, kind, ticket, _ = note
        if kind == events.REQUEST_OPEN:
            self._ticket = ticket
        if kind in KINDS:
            self._tell(time_us, KINDS[kind], self._ticket)
        if self._pass_on is not None:
            self._pass_on(note)

    def _tell(self, time_us: int, what: str, ticket: int) -> None:
        self._file.write(f"{time_us},{self._address},{what},{ticket}\n")


def open_log(path: Path) -> TextIO:
    """The file to append to, begun with the heading; every row is written at once.

    Raises ValueError for a file that begins with anything else, OSError.
    """
    if path.exists() and path.stat().st_size:
        with path.open("rb") as old:
            if old.readline().rstrip() != HEADING.encode():
                raise ValueError(f"{path} exists and does not begin with {HEADING}")
    file = path.open("a", encoding="ascii", buffering=1)
    if file.tell() == 0:
        file.write(HEADING + "\n")
    return file
