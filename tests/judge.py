"""The judge: a simulated module in which every round of the firmware is checked against the truth.

The firmware runs in process; after each of its rounds the judge compares the bounds it would
report right then with the parts that have really passed the beam since the request was opened.
Tests drive a `JudgedModule` like any `SimModule` and read `broken` at the end.
"""

from controller.board import lockstep
from controller.board.ports import GUARD_CLOSED
from controller.record import events
from controller.settings import Settings
from hostsim.config import ModuleConfig
from hostsim.engine import InProcess, Note, Order, Reply, Scene
from hostsim.module import SimModule
from hostsim.plant.faults import FaultMix
from hostsim.plant.plant import Plant
from hostsim.plant.world import World
from hostsim.store import SimStore

# A beam that dies clear with a part half way through it ends the pulse before the part is through.
# The part is then counted ahead of its time, by no more than a part takes to cross.
CROSSING_US = 30_000


class Watched(InProcess):
    """The firmware in process, with its orders and notes kept for the judge."""

    def __init__(self) -> None:
        self.plant: Plant | None = None
        self.opened_us = 0
        self.open = False
        self._early_us = 0  # since when the lower bound is ahead of the truth
        self.broken: list[str] = []
        self.closed: list[tuple[int, int]] = []  # (ticket, truth at closing)

    def boot(self, now_us: int, settings: Settings, store: SimStore) -> Reply:
        """Power-up: a request that was open is open no more."""
        self.open = False
        self._early_us = 0
        return super().boot(now_us, settings, store)

    def round(self, scene: Scene) -> Reply:
        """One round, judged."""
        now_us = scene.now_us
        reply = super().round(scene)
        for note in reply.notes:
            self._take_note(note, now_us)
        for order in reply.orders:
            self._take_order(order, scene.levels, now_us)
        if self.open:
            self._judge_bounds(now_us)
        if reply.deadline_us <= now_us:
            self.broken.append(f"{now_us}: deadline {reply.deadline_us} is not in the future")
        return reply

    def _truth(self, now_us: int) -> int:
        assert self.plant is not None
        return self.plant.truth.passed_between(self.opened_us, now_us)

    def _judge_bounds(self, now_us: int) -> None:
        lower, upper = self.firmware.bounds()
        truth = self._truth(now_us)
        if truth > upper:
            self.broken.append(f"{now_us}: {truth} parts are out, upper bound is {upper}")
        if lower > truth:
            self._early_us = self._early_us or now_us
            if now_us - self._early_us > CROSSING_US:
                self.broken.append(f"{now_us}: {truth} parts are out, lower bound is {lower}")
        else:
            self._early_us = 0

    def _take_note(self, note: Note, now_us: int) -> None:
        _, kind, a, _b = note
        if kind == events.REQUEST_OPEN:
            self.open = True
            self.opened_us = now_us
        elif kind == events.REQUEST_CLOSED:
            self._judge_bounds(now_us)
            self.open = False
            self.closed.append((a, self._truth(now_us)))

    def _take_order(self, order: Order, levels: int, now_us: int) -> None:
        if order[0] == lockstep.START and not levels & GUARD_CLOSED:
            self.broken.append(f"{now_us}: a move was started with the guard open")


class JudgedModule(SimModule):
    """A simulated module whose firmware is watched."""

    def __init__(
        self,
        config: ModuleConfig,
        seed: int = 1,
        faults: str | FaultMix = "none",
        machine: World | None = None,
        watch: Watched | None = None,
    ) -> None:
        self.watch = watch or Watched()
        super().__init__(config, seed, faults, self.watch, machine=machine)
        self.watch.plant = self.plant

    @property
    def broken(self) -> list[str]:
        """What did not hold, in the order it was seen."""
        return self.watch.broken
