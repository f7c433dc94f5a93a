"""A study: what a good printed machine delivers, and whether it ever tells a wrong quantity.

    python -m tests.bench.study_everyday [--modules 6] [--parts 210000] [--quantity 100]
                                         [--faults everyday] [--seed 1]

Each module is one of the shipped descriptions in turn, with its own seed, and delivers `--parts` in
requests of `--quantity`.  By default that is a whole life of its sprocket and the beginning of the
next: rates rise with wear, so a study of new sprockets alone would flatter the machine.

Printed are the outcomes; the requests that were called exact and were not (there must be none);
the share that was exact without a person, with its 95 % limits; and, by kind of mishap, how many
there were and how many of the requests they befell did not end exact without a person.

The limits are those of Clopper and Pearson (Biometrika 26, 1934), which hold whatever the share.
They take requests as independent, which those of one worn sprocket are only nearly.
"""

import argparse
import multiprocessing
import time
from functools import partial

from scipy.stats import binomtest

from hostsim.report import cause_text
from hostsim.table import table
from tests.hostsim.everyday import CONFIGS, TARGET, Episode, Job, Sums, episodes

PROCESSES = 2
LISTED_MAX = 40
HEADINGS = ["module", "seed", "ticket", "outcome", "bounds", "truth", "helped", "mishaps", "why"]

Found = tuple[Sums, list[list[str]], float]  # sums, rows of what went wrong, processor time in s


def study(job: Job) -> Found:
    """Run one module."""
    sums, told = Sums(), []
    begun_s = time.process_time()
    for episode in episodes(job):
        sums.note(episode)
        if not episode.alone:
            told.append(row(job, episode))
    return sums, told, time.process_time() - begun_s


def row(job: Job, episode: Episode) -> list[str]:
    """One request that did not end exact without a person."""
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


def report(sums: Sums, told: list[list[str]], cpu_s: float) -> str:
    """What the study has found."""
    limits = binomtest(sums.alone, sums.requests).proportion_ci(0.95, method="exact")
    kinds = [
        [name, str(count), str(sums.blamed[name])] for name, count in sums.mishaps.most_common()
    ]
    outcomes = ", ".join(f"{count} {name}" for name, count in sums.outcomes.most_common())
    return "\n".join(
        [
            table(HEADINGS, told[:LISTED_MAX]),
            "",
            table(["mishap", "times", "requests not exact alone"], kinds),
            "",
            f"{sums.parts} parts in {sums.requests} requests: {outcomes}",
            f"called exact and not so: {sums.false_exact}; bounds that did not hold: {sums.untrue}",
            f"times a person had to help: {sums.helped}; "
            f"parts that fell between two requests: {sums.strays}",
            f"exact without a person: {sums.alone / sums.requests:.4%}, "
            f"95 % limits {limits.low:.4%} to {limits.high:.4%} (target {TARGET:.1%})",
            f"{cpu_s:.0f} s of processor time, {sums.parts / cpu_s:.0f} parts/s",
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    number = partial(parser.add_argument, type=int)
    number("--modules", default=6)
    number("--parts", default=210_000, help="of each module")
    number("--quantity", default=100, help="parts of each request")
    number("--seed", default=1, help="of the first module; each one more has the next")
    parser.add_argument("--faults", default="everyday", help="a fault mix of tallywheel dispense")
    args = parser.parse_args()
    jobs = []
    for place in range(args.modules):
        path, seed = CONFIGS[place % len(CONFIGS)], args.seed + place
        requests = args.parts // args.quantity
        jobs.append(Job(path, seed, args.quantity, requests, args.faults))
    sums, told, cpu_s = Sums(), [], 0.0
    with multiprocessing.Pool(PROCESSES) as pool:
        for job, (part, rows, part_s) in zip(jobs, pool.imap(study, jobs), strict=True):
            print(f"{job.path.stem} seed {job.seed}: {part.alone} of {part.requests} exact alone")
            sums.add(part)
            told += rows
            cpu_s += part_s
    print(report(sums, told, cpu_s))


if __name__ == "__main__":
    main()
