"""The virtual board: the controller's ports in front of a simulated module, in virtual time.

Theory of operation
-------------------
World and firmware take turns.  The world runs until the firmware's deadline, until something
urgent happens (a move ends, a stall, a level changes) or until a byte has come from the host;
then the firmware goes round once, sees what its sensors would have told it by then, and its orders
are carried out at that same instant.  How the caller slices virtual time makes no difference.

Edges of the beam are not urgent: the board's ring keeps them, as it does on pins.  Everything the
firmware does is logged beside what the world does, so equal logs mean equal firmware.
"""

from binascii import crc32
from collections.abc import Callable
from typing import Any

from controller.board import lockstep
from hostsim.config import ModuleConfig
from hostsim.engine import Engine, Note, Reply, Scene
from hostsim.plant.eventlog import EventLog
from hostsim.plant.plant import Plant
from hostsim.store import SimStore

LINE, BUS = 0, 1
WIRES = ("line", "bus")
RING_EDGES = 256  # edges the board keeps between two rounds; beyond that they are lost


class VirtualBoard:
    """Firmware, plant and log of one module."""

    def __init__(
        self, config: ModuleConfig, engine: Engine, plant: Plant, log: EventLog, store: SimStore
    ) -> None:
        self.plant = plant
        self.store = store
        self.outputs = 0  # wires to a robot
        self.log = log
        self.rounds = 0
        self._config = config
        self._engine = engine
        self._heard = [b"", b""]  # on the line, on the bus
        self._said = [b"", b""]
        self._lost = 0
        self._due_us = plant.now_us
        self._orders: dict[int, Callable[[Any], None]] = {
            lockstep.START: self._start,
            lockstep.AMEND: self._amend,
            lockstep.HALT: self._halt,
            lockstep.ENABLE: self._enable,
            lockstep.TEST: self._test,
            lockstep.OUTPUTS: self._set_outputs,
            lockstep.WRITE: lambda what: store.write(*what),
            lockstep.ERASE: store.erase,
        }
        self.on_note: Callable[[Note], None] | None = None
        self._carry_out(engine.boot(plant.now_us, config.settings, store))

    @property
    def due_us(self) -> int:
        """When the firmware wants to be called next."""
        return self._due_us

    def run_until(self, until_us: int) -> None:
        """Let virtual time pass up to `until_us`."""
        plant = self.plant
        while True:
            reached = plant.advance(min(self._due_us, until_us))
            if plant.woken or reached >= self._due_us:
                self._round(reached)
            elif reached >= until_us:
                return

    def write(self, data: bytes, wire: int = LINE) -> None:
        """Bytes from the host, on the line or the bus; the firmware sees them at once."""
        self._heard[wire] += data
        self._due_us = self.plant.now_us

    def read(self, wire: int = LINE) -> bytes:
        """Take the bytes the firmware has said so far, on the line or the bus."""
        said = self._said[wire]
        self._said[wire] = b""
        return said

    def power_cycle(self, off_us: int = 0) -> None:
        """The power goes and comes back: the motor coasts to rest, what is not stored is lost."""
        self.log.add(self.plant.now_us, "power cut")
        self.plant.power_cut()
        back_us = self.plant.now_us + off_us
        while self.plant.now_us < back_us:
            self.plant.advance(back_us)
        self.plant.edges, self.plant.changes = [], []  # nobody has looked
        self._heard = [b"", b""]
        self._said = [b"", b""]
        self._lost = 0
        self.outputs = 0
        self._carry_out(self._engine.boot(self.plant.now_us, self._config.settings, self.store))

    def _round(self, now_us: int) -> None:
        plant = self.plant
        edges, plant.edges = plant.edges, []
        changes, plant.changes = plant.changes, []
        if len(edges) > RING_EDGES:
            self._lost += len(edges) - RING_EDGES
            del edges[RING_EDGES:]
        heard, self._heard = self._heard, [b"", b""]
        for name, data in zip(WIRES, heard, strict=True):
            if data:
                self.log.add(now_us, f"{name} in {data!r}")
        self.rounds += 1
        scene = Scene(
            now_us,
            plant.look(),
            plant.drive_status(),
            (plant.blocked, self._lost),
            edges,
            changes,
            (heard[LINE], heard[BUS]),
        )
        self._carry_out(self._engine.round(scene))

    def _carry_out(self, reply: Reply) -> None:
        now_us = self.plant.now_us
        self._due_us = reply.deadline_us
        for note in reply.notes:
            self.log.add(now_us, "note {} {} {} {}".format(*note))
            if self.on_note is not None:
                self.on_note(note)
        for code, argument in reply.orders:
            self._orders[code](argument)
        for wire, data in enumerate(reply.said):
            if data:
                self._said[wire] += data
                self.log.add(now_us, f"{WIRES[wire]} out {data!r}")

    def _start(self, move: Any) -> None:
        print_of_words = crc32(bytes(move.tail), crc32(bytes(move.head)))
        self.log.add(
            self.plant.now_us,
            f"drive start {move.direction:+d} steps={move.steps} cruise={move.cruise_steps}"
            f"x{move.cruise_ticks} words={print_of_words:08x}",
        )
        self.plant.drive_start(move)

    def _amend(self, cruise_steps: int) -> None:
        self.log.add(self.plant.now_us, f"drive amend cruise={cruise_steps}")
        self.plant.drive_amend(cruise_steps)

    def _halt(self, _: int) -> None:
        self.log.add(self.plant.now_us, "drive halt")
        self.plant.drive_halt()

    def _enable(self, on: int) -> None:
        self.log.add(self.plant.now_us, f"drive enable {on}")
        self.plant.drive_enable(bool(on))

    def _test(self, on: int) -> None:
        self.plant.beam_test(bool(on))

    def _set_outputs(self, bits: int) -> None:
        self.log.add(self.plant.now_us, f"outputs {bits:03b}")
        self.outputs = bits
