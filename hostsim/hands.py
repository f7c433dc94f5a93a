"""Hands: what a person does at a simulated module, in words.

    $ echo "guard open" > hands        # to a module served with --hands hands

Theory of operation
-------------------
`DEEDS` names everything a person can do with the hands, so that a guided procedure can ask for it,
a test can do it, and somebody in a second terminal can do it to a served module.  The words come
through a named pipe, one deed a line.  The server looks into the pipe at every turn and never
waits for it; what it can't make sense of it tells in one line, and goes on.
"""

import os
import stat
from collections.abc import Callable
from pathlib import Path

from hostsim.named import named
from hostsim.plant.plant import Plant

READ_BYTES = 4096
LINE_BYTES_MAX = 200  # a longer line is no deed

DEEDS: dict[str, Callable[[Plant], None]] = {
    "guard open": lambda plant: plant.guard(False),
    "guard shut": lambda plant: plant.guard(True),
    "card in": lambda plant: plant.cover_beam(True),
    "card out": lambda plant: plant.cover_beam(False),
    "bag away": lambda plant: plant.receiver(False),
    "bag back": lambda plant: plant.receiver(True),
    "clear": Plant.clear,
    "empty": Plant.empty,
    "reset driver": Plant.reset_drive,
    "fill up": lambda plant: _fill(plant, plant.world.capacity - plant.truth.in_magazine),
}
FILL = "fill"  # followed by a number of parts


def _fill(plant: Plant, parts: int) -> None:
    if parts:
        plant.refill(parts)


def do(plant: Plant, deed: str) -> None:
    """Do it. ValueError, with all there is, for a deed nobody knows or parts that don't fit."""
    words = " ".join(deed.split())
    verb, _, number = words.partition(" ")
    if words in DEEDS:
        DEEDS[words](plant)
    elif verb == FILL and number.isdecimal():
        room = plant.world.capacity - plant.truth.in_magazine
        if not 1 <= int(number) <= room:
            raise ValueError(f"fill {number}: allowed 1 to {room} parts, as the magazine stands")
        plant.refill(int(number))
    else:
        raise ValueError(f"{words!r} is no deed; there are {', '.join(DEEDS)}, fill N")


class HandsPipe:
    """The named pipe of a served module; a context manager that takes it away at the end.

    Raises FileExistsError if something else is at `path`.
    """

    def __init__(self, path: Path, plant: Plant, complain: Callable[[str], None]) -> None:
        """`complain` gets a line about every deed that could not be done."""
        self._path = path
        self._plant = plant
        self._complain = complain
        self._heard = b""
        if not (path.exists() and stat.S_ISFIFO(path.stat().st_mode)):
            with named(path):
                os.mkfifo(path)
        # Open for writing too: so the pipe never ends when a writer goes.
        self._pipe = os.open(path, os.O_RDWR | os.O_NONBLOCK)

    def look(self) -> None:
        """Do what has come through the pipe since the last look."""
        try:
            self._heard += os.read(self._pipe, READ_BYTES)
        except BlockingIOError:
            return
        *lines, self._heard = self._heard.split(b"\n")
        if len(self._heard) > LINE_BYTES_MAX:
            self._heard = b""
        for line in lines:
            if line.strip():
                self._do(line.decode("utf-8", "replace"))

    def _do(self, line: str) -> None:
        try:
            do(self._plant, line)
        except ValueError as error:
            self._complain(str(error))

    def __enter__(self) -> "HandsPipe":
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._pipe)
        self._path.unlink(missing_ok=True)
