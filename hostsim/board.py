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
        self._heard_us = 0  # when it arrives
        self._said = [b"", b""]
        self._lost = 0
        self.due_us = plant.now_us  # when the firmware wants to be called next
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
        self._carry_out(plant.now_us, engine.boot(plant.now_us, config.settings, store))

    def run_until(self, until_us: int) -> None:
        """Let virtual time pass up to `until_us`."""
        plant = self.plant
        while True:
            reached = plant.advance(min(self.due_us, until_us))
            if plant.woken or reached >= self.due_us:
                self._round(reached)
            elif reached >= until_us:
                return

    def write(self, data: bytes, wire: int = LINE, at_us: int = 0) -> None:
        """Bytes from the host, on the line or the bus, which arrive now or at `at_us`."""
        self._heard[wire] += data
        self._heard_us = at_us
        self.due_us = min(self.due_us, max(at_us, self.plant.now_us))

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
        now_us = self.plant.now_us
        self._carry_out(now_us, self._engine.boot(now_us, self._config.settings, self.store))

    def _round(self, now_us: int) -> None:
        levels, drive, blocked, edges, changes = self.plant.sense()
        if len(edges) > RING_EDGES:
            self._lost += len(edges) - RING_EDGES
            del edges[RING_EDGES:]
        line = bus = b""
        if now_us >= self._heard_us:
            line, bus = self._heard
            self._heard = [b"", b""]
        if line:
            self.log.add(now_us, "line in {!r}", line)
        if bus:
            self.log.add(now_us, "bus in {!r}", bus)
        self.rounds += 1
        seen = (blocked, self._lost)
        scene = Scene(now_us, levels, drive, seen, edges, changes, (line, bus))
        self._carry_out(now_us, self._engine.round(scene))

    def _carry_out(self, now_us: int, reply: Reply) -> None:
        self.due_us = reply.deadline_us
        if self._heard_us > now_us:
            self.due_us = min(self.due_us, self._heard_us)
        for note in reply.notes:
            self.log.add(now_us, "note {} {} {} {}", *note)
            if self.on_note is not None:
                self.on_note(note)
        for code, argument in reply.orders:
            self._orders[code](argument)
        line, bus = reply.said
        if line:
            self._said[LINE] += line
            self.log.add(now_us, "line out {!r}", line)
        if bus:
            self._said[BUS] += bus
            self.log.add(now_us, "bus out {!r}", bus)

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
