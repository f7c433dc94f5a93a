"""Power cuts by the hundred thousand: how many are survived.

    python -m tests.bench.power_cuts [--share PERCENT] [--seed S] [--keep FILE]
    python -m tests.bench.power_cuts --id NAME

Lives scripted days on stores of three kinds (byte-addressable; flash pages of 256 bytes; blocks of
4096 that are lost whole) with several checkpoints and fault mixes.  Each operation of the store is
cut byte by byte, and what may be left is read back (`tests.powercuts.records`); a whole module
loses its power within operations and at random times, and goes on (`tests.powercuts.cutter`).
A third of those are cut again at power-up.  `--share 10` takes every tenth.

Prints a line for each day, every cut that was not survived with its name, and the sum.  Exit status
1 if there was one.  `--id` goes through that one cut again, in one process, with its traceback.

All of it takes hours.  With `--keep` each day's line is kept in a file as it ends, and a day whose
line is there already is not lived again: begin again with the same options, and it goes on.
"""

import argparse
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from hostsim.table import table
from tests.powercuts import records
from tests.powercuts.cutter import Failure, Life, Plan, relive
from tests.powercuts.day import SIZES_BYTES, Setup

CHECKPOINTS = (0, 1, 5, 25)
MIXES = ("none", "everyday", "harsh", "double", "cling", "lodge", "jam", "empty")
CONFIGS = ("m4_nut", "m4_washer", "m4x12_socket_screw")
GAP_US = 500_000  # between two cuts at random times
BYTES_EACH = 2  # cuts of a whole module within each operation
# Every so manieth byte of an operation.  A unit that is lost whole looks much the same wherever it
# was hit, and reading through what is left of it takes long.
STRIDES = {1: 1, 256: 2, 4096: 16}


def setups(seed: int) -> Iterator[Setup]:
    """The days: every kind of store with every checkpoint and mix, modules in turn."""
    number = 0
    for unit_bytes in SIZES_BYTES:
        for every in CHECKPOINTS:
            for mix in MIXES:
                number += 1
                config = CONFIGS[number % len(CONFIGS)]
                yield Setup(config, mix, seed + number, unit_bytes, every)


def in_records(setup: Setup, share: int) -> tuple[int, list[Failure]]:
    """Cut the day's operations byte by byte."""
    found = records.Records(setup)
    found.cut_all(STRIDES[setup.unit_bytes] * 100 // share)
    return found.cuts, found.failures


def in_life(setup: Setup, share: int) -> tuple[int, list[Failure]]:
    """Cut the living module."""
    plan = Plan(max(1, BYTES_EACH * share // 100), GAP_US * 100 // share, setup.seed)
    life = Life(setup, plan)
    life.live()
    return life.cuts, life.failures


def run(share: int, seed: int, keep: Path | None) -> int:
    """All days; the number of cuts that were not survived."""
    kept = _kept(keep)
    for setup in setups(seed):
        # What is written differs little between mixes: byte by byte, one of them will do.
        ways = [in_life, in_records] if setup.mix == "everyday" else [in_life]
        for way in ways:
            day = (setup.config, setup.mix, setup.seed, setup.unit_bytes, setup.every)
            name = " ".join(map(str, (*day, way.__name__[3:], f"{share}%")))
            if name in kept:
                continue
            began = time.monotonic()
            cuts, failures = way(setup, share)
            for failure in failures:
                print(f"{failure.name}\n{failure.report}", flush=True)
            kept[name] = (cuts, len(failures))
            print(name, *kept[name], f"{time.monotonic() - began:.0f} s", flush=True)
            if keep is not None:
                with keep.open("a", encoding="ascii") as file:
                    print(name, *kept[name], file=file)
    return _sum_up(kept)


def _kept(keep: Path | None) -> dict[str, tuple[int, int]]:
    """By the name of the day: cuts, and those that were not survived."""
    if keep is None or not keep.exists():
        return {}
    lines = keep.read_text(encoding="ascii").splitlines()
    rows = (line.rsplit(" ", 2) for line in lines)
    return {name: (int(cuts), int(lost)) for name, cuts, lost in rows}


def _sum_up(kept: dict[str, tuple[int, int]]) -> int:
    """Print how many were survived, by kind of store; return how many were not."""
    rows = []
    for unit_bytes in SIZES_BYTES:
        for way in ("life", "records"):
            days = [
                counts
                for name, counts in kept.items()
                if name.split()[3] == str(unit_bytes) and name.split()[5] == way
            ]
            cuts, lost = (sum(column) for column in zip((0, 0), *days, strict=True))
            rows.append([str(unit_bytes), way, str(len(days)), str(cuts), str(lost)])
    print(table(("unit", "cut in", "days", "cuts", "not survived"), rows))
    cuts, lost = (sum(column) for column in zip(*kept.values(), strict=True))
    print(f"{cuts:,} cuts, {cuts - lost:,} survived, {lost} not")
    return lost


def again(name: str) -> None:
    """Go through one cut by its name; raises what it does not survive."""
    *start, number, shape = name.split(".")
    if number[0] == "i":
        config, mix, seed, unit, every = start
        setup = Setup(config, mix, int(seed), int(unit), int(every))
        records.Records(setup).cut_one(int(number[1:]), shape)
    else:
        relive(name)
    print(f"{name}: survived")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--id", metavar="NAME", help="go through one cut again")
    parser.add_argument("--share", type=int, default=100, metavar="PERCENT", help="of all cuts")
    parser.add_argument("--seed", type=int, default=1, help="of the days (default 1)")
    parser.add_argument("--keep", metavar="FILE", type=Path, help="where to go on after a break")
    args = parser.parse_args()
    if args.id:
        again(args.id)
        return 0
    return 1 if run(args.share, args.seed, args.keep) else 0


if __name__ == "__main__":
    sys.exit(main())
