"""A study: what a good printed machine delivers, and whether it ever tells a wrong quantity.

    python -m tests.bench.study_everyday [--modules 6] [--parts 210000] [--quantity 100]
                                         [--faults everyday] [--seed 1]

Each module is one of the shipped descriptions in turn, with its own seed, and delivers `--parts` in
requests of `--quantity`.  By default that is a whole life of its sprocket and the beginning of the
next: rates rise with wear, so a study of new sprockets alone would flatter the machine.  A
simulated person keeps the magazine filled, changes the sprocket at its rated pieces, and puts right
what has stopped a unit, but not before the request has closed.

Printed are the outcomes; the requests that were called exact and were not (there must be none);
the share that was exact without a person, with its 95 % limits; and, by kind of mishap, how many
there were and how many of the requests they befell did not end exact without a person.

The limits are those of Clopper and Pearson (Biometrika 26, 1934), which hold whatever the share.
They take requests as independent, which those of one worn sprocket are only nearly.
"""

import argparse
import multiprocessing
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from scipy.stats import binomtest

from hostsim.config import load
from hostsim.dispensing import Delivery, dispense
from hostsim.module import SimModule
from hostsim.plant.eventlog import EventLog
from hostsim.report import cause_text
from hostsim.table import table

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
PROCESSES = 2
TARGET = 0.999
LISTED_MAX = 40
HEADINGS = ["module", "seed", "ticket", "outcome", "bounds", "truth", "helped", "mishaps", "why"]


@dataclass(frozen=True)
class Job:
    """One module's share of the study."""

    path: Path
    seed: int
    parts: int
    quantity: int
    faults: str


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
    cpu_s: float = 0.0
    outcomes: Counter[str] = field(default_factory=Counter)
    mishaps: Counter[str] = field(default_factory=Counter)
    blamed: Counter[str] = field(default_factory=Counter)  # of requests not exact without a person
    told: list[list[str]] = field(default_factory=list)

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


def study(job: Job) -> Sums:
    """Run one module."""
    found = Sums()
    begun_s = time.process_time()
    with SimModule(load(job.path), job.seed, job.faults, log=EventLog(keep=False)) as module:
        for episode in episodes(module, job):
            found.note(episode)
            if not episode.alone:
                found.told.append(line(job, episode))
    found.cpu_s = time.process_time() - begun_s
    return found


def episodes(module: SimModule, job: Job) -> Iterator[Episode]:
    """Yield what became of each request; one more is made to see what the last one left behind."""
    truth = module.plant.truth
    last: Delivery | None = None
    befell: Counter[str] = Counter()
    before: Counter[str] = Counter()
    for delivery in dispense(module, job.quantity, 1 + job.parts // job.quantity):
        if last is not None:
            strays = truth.passed_between(last.closed_us, delivery.opened_us)
            yield Episode(last, befell, delivery.helped, strays)
        last, befell, before = delivery, truth.mishaps - before, Counter(truth.mishaps)


def line(job: Job, episode: Episode) -> list[str]:
    """One request that did not end exact without a person, as a row of the listing."""
    result = episode.delivery.result
    return [
        job.path.stem,
        str(job.seed),
        str(result.ticket),
        str(result.outcome),
        f"{result.lower}..{result.upper}",
        str(episode.delivery.truth),
        str(episode.helped),
        " ".join(f"{name}:{count}" for name, count in episode.mishaps.items()) or "-",
        cause_text(result.cause) or "-",
    ]


def report(found: Sums, wall_s: float) -> str:
    """What the study has found."""
    limits = binomtest(found.alone, found.requests).proportion_ci(0.95, method="exact")
    kinds = [
        [name, str(count), str(found.blamed[name])] for name, count in found.mishaps.most_common()
    ]
    outcomes = ", ".join(f"{count} {name}" for name, count in found.outcomes.most_common())
    return "\n".join(
        [
            table(HEADINGS, found.told[:LISTED_MAX]),
            "",
            table(["mishap", "times", "requests not exact alone"], kinds),
            "",
            f"{found.parts} parts in {found.requests} requests: {outcomes}",
            f"called exact and not so: {found.false_exact}; "
            f"bounds that did not hold: {found.untrue}",
            f"times a person had to help: {found.helped}; "
            f"parts that fell between two requests: {found.strays}",
            f"exact without a person: {found.alone / found.requests:.4%}, "
            f"95 % limits {limits.low:.4%} to {limits.high:.4%} (target {TARGET:.1%})",
            f"{found.cpu_s:.0f} s of processor time, {found.parts / found.cpu_s:.0f} parts/s; "
            f"{wall_s:.0f} s in all",
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--modules", type=int, default=6)
    parser.add_argument("--parts", type=int, default=210_000, help="of each module")
    parser.add_argument("--quantity", type=int, default=100)
    parser.add_argument("--faults", default="everyday")
    parser.add_argument("--seed", type=int, default=1, help="of the first module; the next has +1")
    args = parser.parse_args()
    jobs = []
    for place in range(args.modules):
        path, seed = CONFIGS[place % len(CONFIGS)], args.seed + place
        jobs.append(Job(path, seed, args.parts, args.quantity, args.faults))
    begun_s = time.perf_counter()
    found = Sums()
    with multiprocessing.Pool(PROCESSES) as pool:
        for job, part in zip(jobs, pool.imap(study, jobs), strict=True):
            print(f"{job.path.stem} seed {job.seed}: {part.alone} of {part.requests} exact alone")
            found.add(part)
    print(report(found, time.perf_counter() - begun_s))


if __name__ == "__main__":
    main()
