"""A study: how seldom a healthy module is said to drift, and how soon one that does.

    python -m tests.bench.study_drift [--seeds 8] [--parts 8000] [--drawn 250000] [--seed 1]

Healthy modules are those of the mix `everyday` without slip, of each of the shipped descriptions,
with so many seeds and parts each.  `--drawn` parts more of each are not dispensed but only drawn,
as the plant draws what scatters of a part, and given to the charts; by default that is a life of a
sprocket and a quarter.  Printed are alarms (there should be none), the largest sum ever in per cent
of its limit, and the upper 95 % limit of alarms per part (rule of three: 3 / n for none in n,
Clopper-Pearson otherwise).

Then dirt, wear and slip, from the same seeds: parts from when the charts have learned to the alarm,
which causes were told, and how many bags were not exact before it.
"""

import argparse
import multiprocessing
import statistics
from collections import Counter
from typing import NamedTuple

import numpy as np
from scipy.stats import beta

from controller.counting.phase import Phase
from controller.counting.windows import Windows
from controller.motion.place import Place
from hostsim.plant.fall import PartSupply
from hostsim.plant.world import World
from hostsim.table import table
from tests.hostsim.drift import CONFIGS, HEALTHY, SLIPPING, follow, learned, wearing

PROCESSES = 2
DRIFTING_PARTS = 8_000
LOOK_PARTS = 20  # between two looks at the sums
KINDS = ("healthy", "drawn", "dirt", "wear", "slip")
QUIET = KINDS[:2]


class Job(NamedTuple):
    """One module and what befalls it."""

    name: str
    kind: str
    seed: int
    parts: int


class Found(NamedTuple):
    """What became of it, up to the alarm if there was one."""

    job: Job
    parts: int
    code: int
    sums_pct: int
    not_exact: int


def draw(job: Job) -> Found:
    """Give the charts parts as the plant draws them, up to an alarm."""
    config = CONFIGS[job.name]
    settings, world = config.settings, World.of(config)
    windows = Windows(settings)
    phase = Phase(settings, windows, Place(settings).ratio)
    supply = PartSupply(world, 0.0, np.random.default_rng(job.seed))
    rate_steps_s = settings.limit_velocity_steps_s
    pocket_us = 1e6 * world.steps_per_pocket / rate_steps_s
    sums_pct = 0
    for number in range(1, job.parts + 1):
        part = supply.take()
        delay_us = round(part.lead_us + part.scatter_pockets * pocket_us)
        if phase.take(delay_us, part.dark_us, rate_steps_s, 0):
            return Found(job, number, phase.alarm, sums_pct, 0)
        if number % LOOK_PARTS == 0:
            sums_pct = max(sums_pct, *phase.of_phase()[5:], *phase.of_width()[5:])
    return Found(job, job.parts, 0, sums_pct, 0)


def study(job: Job) -> Found:
    """Run one module until it is told to drift."""
    if job.kind == "drawn":
        return draw(job)
    config = CONFIGS[job.name]
    if job.kind == "slip":
        runs = follow(config, job.seed, SLIPPING, job.parts, store=learned(config, job.seed))
    elif job.kind == "wear":
        runs = follow(config, job.seed, "none", job.parts, machine=wearing(config, 0.1, 6_000))
    else:
        runs = follow(config, job.seed, HEALTHY if job.kind == "healthy" else "dirt", job.parts)
    parts = code = sums_pct = not_exact = 0
    for told in runs:
        parts, code = told.parts, told.drift.code
        if code:
            break
        sums_pct = max(sums_pct, told.sums_pct)
        not_exact += not told.delivery.exact
    return Found(job, parts, code, sums_pct, not_exact)


def main() -> None:
    """Run the study and print what was found."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--parts", type=int, default=8_000)
    parser.add_argument("--drawn", type=int, default=250_000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    parts = {"healthy": args.parts, "drawn": args.drawn}
    jobs = [
        Job(name, kind, seed, parts.get(kind, DRIFTING_PARTS))
        for name in CONFIGS
        for kind in KINDS
        for seed in range(args.seed, args.seed + args.seeds)
    ]
    with multiprocessing.Pool(PROCESSES) as pool:
        found = pool.map(study, jobs, chunksize=1)
    for kind in QUIET:
        those = [each for each in found if each.job.kind == kind]
        count, alarms = sum(each.parts for each in those), sum(each.code > 0 for each in those)
        upper = beta.ppf(0.975, alarms + 1, count - alarms) if alarms else 3 / count
        most = max(each.sums_pct for each in those)
        print(
            f"{kind}: {alarms} alarms in {count} parts, at most one in {1 / upper:.0f} (95 %);"
            f" largest sum {most} % of its limit"
        )
    rows = []
    for name in CONFIGS:
        for kind in KINDS[len(QUIET) :]:
            those = [each for each in found if each.job.name == name and each.job.kind == kind]
            told = Counter(each.code for each in those)
            rows.append(
                [
                    name,
                    kind,
                    " ".join(f"{code}:{count}" for code, count in sorted(told.items())),
                    str(round(statistics.median(each.parts for each in those))),
                    str(max(each.parts for each in those)),
                    str(sum(each.not_exact for each in those)),
                ]
            )
    print(table(["module", "drift", "told (cause:modules)", "median", "most", "not exact"], rows))


if __name__ == "__main__":
    main()
