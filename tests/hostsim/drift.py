"""Modules in which something drifts, or nothing does, and what they say: for the test and a study.

Slip comes after a clean day on which the module has learned what is right, as after commissioning;
the store carries that over to the next power-up.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from controller.counting.phase import Phase
from controller.counting.windows import Windows
from controller.cycle.orders import Orders
from controller.motion.place import Place
from controller.record.book import Book
from controller.record.counters import Counters
from hostsim.answers import Drift
from hostsim.client import DispenserClient
from hostsim.config import ModuleConfig, load
from hostsim.dispensing import Delivery, dispense
from hostsim.engine import Engine, InProcess
from hostsim.links import SimLink
from hostsim.module import SimModule
from hostsim.plant.eventlog import EventLog
from hostsim.plant.faults import MIXES, FaultMix
from hostsim.plant.world import World
from hostsim.store import SimStore

CONFIGS = {path.stem: load(path) for path in sorted(Path("configs").glob("*.toml"))}
QUANTITY = 50
CLEAN_PARTS = 600  # a little more than is learned from
# All that befalls a good printed machine and moves nothing for good.
HEALTHY = replace(MIXES["everyday"], name="healthy", slip=0.0)
SLIPPING = FaultMix("slipping", "the motor loses cycles now and then", slip=5e-3)


@dataclass(frozen=True)
class Told:
    """What a module says after a request."""

    parts: int  # that have fallen since it began
    drift: Drift
    sums_pct: int  # the largest of the four sums, in per cent of its limit
    slips: int  # of the motor so far
    delivery: Delivery


def follow(
    config: ModuleConfig,
    seed: int,
    faults: str | FaultMix,
    parts: int,
    *,
    machine: World | None = None,
    store: SimStore | None = None,
    engine: str | Engine = "inprocess",
) -> Iterator[Told]:
    """Deliver `parts` and tell after each request what the module says."""
    log = EventLog(keep=False)
    with SimModule(config, seed, faults, engine, log, store, machine) as module:
        client = DispenserClient(SimLink(module))
        fallen = 0
        for delivery in dispense(module, QUANTITY, parts // QUANTITY):
            fallen += delivery.truth
            phase, width = client.release_phase(), client.pulse_width()
            sums_pct = max(phase.up, phase.down, width.up, width.down)
            slips = module.plant.truth.mishaps["slip"]
            yield Told(fallen, client.drift(), sums_pct, slips, delivery)


def learned(config: ModuleConfig, seed: int) -> SimStore:
    """A store that holds what a module has learned on a clean day, and nothing else of it."""
    engine = InProcess()
    for told in follow(config, seed, "none", CLEAN_PARTS, engine=engine):
        assert told.drift.code == 0
    _, *values = engine.firmware.phase.learned()
    return holding(config, values)


def holding(config: ModuleConfig, values: Sequence[int], path: Path | None = None) -> SimStore:
    """A store, kept in the file `path`, that holds these values for the charts and nothing else.

    Targets and standard deviations of the phase, in sixteenths of a step, and of the width, in us.
    """
    settings = config.settings
    store, windows = SimStore(path=path), Windows(settings)
    phase = Phase(settings, windows, Place(settings).ratio)
    book = Book(store, settings, windows, Counters(), Orders(), phase)
    book.restore()
    phase.restore((phase.learned()[0], *values))
    book.keep_learned()
    return store


def wearing(config: ModuleConfig, pockets: float, pieces: int) -> World:
    """A module whose pockets let go later by that much of a pitch after so many pieces."""
    return replace(World.of(config), wear_shift_pockets=pockets, rated_pieces=pieces)
