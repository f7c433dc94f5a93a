"""A study: how seldom a healthy module is said to drift, and how soon one that does.

    python -m tests.bench.study_drift [--seeds 8] [--parts 12000] [--seed 1]

Healthy modules are those of the mix `everyday` without slip, of each of the shipped descriptions,
with so many seeds and parts each.  Printed are their alarms (there should be none), the largest sum
ever in per cent of its limit, and the upper 95 % limit of alarms per part (rule of three: 3 / n for
none in n, Clopper-Pearson otherwise).

Then dirt, wear and slip, from the same seeds: parts from when the charts have learned to the alarm,
which causes were told, and how many bags were not exact before it.
"""

import argparse
import multiprocessing
import statistics
from collections import Counter
from typing import NamedTuple

from scipy.stats import beta

from hostsim.table import table
from tests.hostsim.drift import CONFIGS, HEALTHY, SLIPPING, follow, learned, wearing

PROCESSES = 2
DRIFTING_PARTS = 8_000
KINDS = ("healthy", "dirt", "wear", "slip")


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


def study(job: Job) -> Found:
    """Run one module until it is told to drift."""
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
    parser.add_argument("--parts", type=int, default=12_000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    jobs = [
        Job(name, kind, seed, args.parts if kind == "healthy" else DRIFTING_PARTS)
        for name in CONFIGS
        for kind in KINDS
        for seed in range(args.seed, args.seed + args.seeds)
    ]
    with multiprocessing.Pool(PROCESSES) as pool:
        found = pool.map(study, jobs, chunksize=1)
    healthy = [each for each in found if each.job.kind == "healthy"]
    parts, alarms = sum(each.parts for each in healthy), sum(each.code > 0 for each in healthy)
    upper = beta.ppf(0.975, alarms + 1, parts - alarms) if alarms else 3 / parts
    print(f"healthy: {alarms} alarms in {parts} parts, at most one in {1 / upper:.0f} (95 %);")
    print(f"the largest sum was {max(each.sums_pct for each in healthy)} % of its limit")
    rows = []
    for name in CONFIGS:
        for kind in KINDS[1:]:
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
