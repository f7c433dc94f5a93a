"""Power cuts by the hundred thousand: how many are survived.

    python -m tests.bench.power_cuts [--share PERCENT] [--seed S]
    python -m tests.bench.power_cuts --id NAME

Lives scripted days on stores of three kinds (byte-addressable; flash pages of 256 bytes; blocks of
4096 that are lost whole) with several checkpoints and fault mixes.  Each operation of the store is
cut byte by byte, and what may be left is read back (`tests.powercuts.records`); a whole module
loses its power within operations and at random times, and goes on (`tests.powercuts.cutter`).
A third of those are cut again at power-up.  `--share 10` takes every tenth.

Prints a line for each day, every cut that was not survived with its name, and the sum.  Exit status
1 if there was one.  `--id` goes through that one cut again, in one process, with its traceback.
"""

import argparse
import sys
from collections.abc import Iterator
from time import process_time

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


def run(share: int, seed: int) -> int:
    """All days; the number of cuts that were not survived."""
    rows, lost, cuts = [], 0, 0
    for setup in setups(seed):
        began = process_time()
        # What is written differs little between mixes: byte by byte, one of them will do.
        ways = [in_life, in_records] if setup.mix == "everyday" else [in_life]
        for way in ways:
            tried, failures = way(setup, share)
            cuts += tried
            lost += len(failures)
            for failure in failures:
                print(f"{failure.name}\n{failure.report}", flush=True)
            fields = (setup.config, setup.mix, setup.unit_bytes, setup.every, way.__name__[3:])
            rows.append([*map(str, fields), str(tried), str(len(failures))])
            print(*rows[-1], f"{process_time() - began:.0f} s", flush=True)
    print(table(("module", "faults", "unit", "checkpoint", "cut in", "cuts", "lost"), rows))
    print(f"{cuts} cuts, {cuts - lost} survived, {lost} not")
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
    args = parser.parse_args()
    if args.id:
        again(args.id)
        return 0
    return 1 if run(args.share, args.seed) else 0


if __name__ == "__main__":
    sys.exit(main())
