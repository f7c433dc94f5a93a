"""Many requests on one simulated module, and what became of each: for the test and for the study.

A person keeps the magazine filled, changes the sprocket at its rated pieces, and puts right what
has stopped the unit, but not before the request has closed (`hostsim.bench.Attendant`).
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from hostsim.config import load
from hostsim.dispensing import Delivery, dispense
from hostsim.module import SimModule
from hostsim.plant.eventlog import EventLog

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
TARGET = 0.999  # share of requests that are exact without a person


@dataclass(frozen=True)
class Job:
    """One module and what is asked of it."""

    path: Path
    seed: int
    quantity: int
    requests: int
    faults: str = "everyday"


@dataclass(frozen=True)
class Episode:
    """One request and what came after it, until the next was opened."""

    delivery: Delivery
    mishaps: Counter[str]
    helped: int  # times a person had to put the unit right
    strays: int  # parts that fell

    @property
    def alone(self) -> bool:
        """Exact without a person."""
        return self.delivery.exact and not self.helped


@dataclass
class Sums:
    """What was found; of one module, or of all."""

    requests: int = 0
    parts: int = 0
    alone: int = 0  # exact without a person
    false_exact: int = 0
    untrue: int = 0  # bounds that did not hold, false exact ones among them
    helped: int = 0
    strays: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    mishaps: Counter[str] = field(default_factory=Counter)
    blamed: Counter[str] = field(default_factory=Counter)  # of requests not exact without a person

    def note(self, episode: Episode) -> None:
        """Count one request."""
        delivery = episode.delivery
        self.requests += 1
        self.parts += delivery.truth
        self.alone += episode.alone
        self.untrue += not delivery.truthful
        self.false_exact += delivery.exact and not delivery.truthful
        self.helped += episode.helped
        self.strays += episode.strays
        self.outcomes[str(delivery.result.outcome)] += 1
        self.mishaps.update(episode.mishaps)
        if not episode.alone:
            self.blamed.update({*episode.mishaps} or {"none"})

    def add(self, other: "Sums") -> None:
        """Add another module's sums."""
        for name, value in vars(other).items():
            mine = getattr(self, name)
            if isinstance(mine, Counter):
                mine.update(value)
            else:
                setattr(self, name, mine + value)


def episodes(job: Job) -> Iterator[Episode]:
    """Yield what became of each request; one more is made to see what the last one left behind."""
    last: Delivery | None = None
    befell: Counter[str] = Counter()
    before: Counter[str] = Counter()
    with SimModule(load(job.path), job.seed, job.faults, log=EventLog(keep=False)) as module:
        truth = module.plant.truth
        for delivery in dispense(module, job.quantity, job.requests + 1):
            if last is not None:
                strays = truth.passed_between(last.closed_us, delivery.opened_us)
                yield Episode(last, befell, delivery.helped, strays)
            last, befell, before = delivery, truth.mishaps - before, Counter(truth.mishaps)
