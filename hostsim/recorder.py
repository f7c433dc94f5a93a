"""A recorder between a simulated module's board and its firmware, for traces and pictures.

Theory of operation
-------------------
The recorder is itself an engine: it hands every round on to the real one and keeps what went by,
the edges and pulse counts on the way in, the orders and notes on the way out.  So it sees exactly
what the firmware saw, with every engine, and changes nothing.
"""

from dataclasses import dataclass

from controller.board import lockstep
from controller.motion.words import Move
from controller.record import events
from controller.settings import Settings
from hostsim import trace
from hostsim.engine import Engine, Note, Reply, Scene, Stamp
from hostsim.store import SimStore
from hostsim.trace import Row

TRACED = {
    events.REQUEST_OPEN: trace.OPEN,
    events.BEAM_TEST: trace.TEST,
    events.RELEASE: trace.RELEASE,
    events.CREEP_RELEASE: trace.CREEP,
}


@dataclass
class RecordedMove:
    """One order to the drive, and how far it got."""

    start_us: int
    move: Move
    made: int = 0  # steps


class Recorder:
    """An engine that keeps what goes by, in lists that grow with time."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.edges: list[Stamp] = []
        self.moves: list[RecordedMove] = []
        self.darkened: list[Stamp] = []  # when the emitter was switched: 1 dark, 0 lit
        self.notes: list[Note] = []

    def boot(self, now_us: int, settings: Settings, store: SimStore) -> Reply:
        """Start the firmware anew."""
        return self._engine.boot(now_us, settings, store)

    def round(self, scene: Scene) -> Reply:
        """One poll."""
        self.edges += scene.edges
        if self.moves:
            self.moves[-1].made = scene.drive[1]
        reply = self._engine.round(scene)
        for code, argument in reply.orders:
            if code == lockstep.START:
                self.moves.append(RecordedMove(scene.now_us, argument))
            elif code == lockstep.AMEND:
                self.moves[-1].move = self.moves[-1].move.amended(argument)
            elif code == lockstep.TEST:
                self.darkened.append((scene.now_us, argument))
        self.notes += reply.notes
        return reply

    def close(self) -> None:
        """End the engine."""
        self._engine.close()

    def trace(self) -> list[Row]:
        """Everything recorded so far as the rows of a trace, oldest first."""
        rows = [Row(time_us, trace.EDGE, blocked, 0) for time_us, blocked in self.edges]
        rows += [Row(time_us, trace.DARK, dark, 0) for time_us, dark in self.darkened]
        closed_us = 0
        for time_us, kind, a, b in self.notes:
            if kind == events.REQUEST_CLOSED:
                closed_us = time_us
            elif kind == events.BOUNDS:
                rows.append(Row(closed_us, trace.CLOSE, a, b))
            elif kind in TRACED:
                rows.append(Row(time_us, TRACED[kind], a, b))
        return sorted(rows, key=lambda row: row.time_us)
