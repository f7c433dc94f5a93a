"""A simulated module, whole: world, board and firmware behind one serial line, in virtual time.

    with SimModule(load("configs/m4_nut.toml"), seed=7, faults="everyday") as module:
        print(module.ask("*IDN?"))

Nothing here knows anything a host on the line would not know, except for `plant.truth` and the
`notes` of the firmware, which are for judging and for pictures.
"""

from hostsim import engine as engines
from hostsim.board import VirtualBoard
from hostsim.config import ModuleConfig
from hostsim.engine import Engine, Note
from hostsim.plant.eventlog import EventLog
from hostsim.plant.faults import FaultMix
from hostsim.plant.plant import Plant
from hostsim.plant.wiring import SOUND, Wiring
from hostsim.plant.world import Described, World
from hostsim.store import SimStore

ASK_TIMEOUT_US = 3_600_000_000  # an hour of virtual time: the longest any request may wait
ASK_SLICE_US = 50_000  # how far time runs between two looks for the answer


class SimModule:
    """One module; a context manager, because a child engine is a process."""

    def __init__(
        self,
        config: ModuleConfig,
        seed: int = 1,
        faults: str | FaultMix = "none",
        engine: str | Engine = "inprocess",
        log: EventLog | None = None,
        store: SimStore | None = None,
        machine: Described | World | None = None,
        wiring: Wiring = SOUND,
    ) -> None:
        """`engine`: a name in `hostsim.engine.ENGINES`, or an engine to be used and left open.

        `machine`: what the module really is, where that is not what `config` tells the firmware: a
        description or true parameters. `wiring`: how it is wired.
        """
        self.config = config
        self.log = EventLog() if log is None else log
        self.notes: list[Note] = []
        self._engine = engines.make(engine) if isinstance(engine, str) else engine
        self._owns_engine = isinstance(engine, str)
        truth = machine or config
        world = truth if isinstance(truth, World) else World.of(truth)
        self.plant = Plant(config, seed, faults, self.log, world=world, wiring=wiring)
        self.store = SimStore() if store is None else store
        self.board = VirtualBoard(config, self._engine, self.plant, self.log, self.store)
        self.board.on_note = self.notes.append
        self._unread = b""

    @property
    def now_us(self) -> int:
        """Virtual time."""
        return self.plant.now_us

    def run_until(self, until_us: int) -> None:
        """Let virtual time pass up to `until_us`."""
        self.board.run_until(until_us)

    def write(self, data: bytes) -> None:
        """Send bytes to the module."""
        self.board.write(data)

    def read(self) -> bytes:
        """Take the bytes the module has sent."""
        data = self._unread + self.board.read()
        self._unread = b""
        return data

    def ask(self, line: str, timeout_us: int = ASK_TIMEOUT_US) -> str:
        """Send one line and let time pass until a line comes back; return it without its end.

        Raises TimeoutError when none comes within `timeout_us` of virtual time.
        """
        self.write(line.encode() + b"\n")
        limit_us = self.now_us + timeout_us
        while True:
            self._unread += self.board.read()
            if b"\n" in self._unread:
                answer, _, self._unread = self._unread.partition(b"\n")
                return answer.decode().rstrip("\r")
            if self.now_us >= limit_us:
                raise TimeoutError(f"no answer to {line!r} within {timeout_us / 1e6:g} s")
            self.run_until(min(self.now_us + ASK_SLICE_US, limit_us))

    def tell(self, line: str) -> None:
        """Send one line that has no answer, and let the firmware take it."""
        self.write(line.encode() + b"\n")
        self.run_until(self.now_us)

    def close(self) -> None:
        """End the engine, if it is this module's own."""
        if self._owns_engine:
            self._engine.close()

    def __enter__(self) -> "SimModule":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
