"""A study: is anything untrue told under any mix of faults, commands, hands and power cuts?

    python -m tests.bench.study_ordeals [--ordeals 2000] [--first 0] [--processes 2]

Each ordeal (`tests.invariants.hostility`) is one module with faults, settings, a host and hands
drawn from its seed, and one to four requests.  Printed are the requests and parts that were tried,
how many requests were exact, and what was untrue, by seed: there must be nothing.  An ordeal that
ends in an exception (no answer, a unit that can't be led to Execute) is untrue as well.
"""

import argparse
import multiprocessing
import time

from tests.invariants.hostility import Outcome, ordeal

LISTED_MAX = 20


def go_through(seed: int) -> tuple[int, Outcome, float]:
    """One ordeal: its seed, its outcome, and the processor time it took, s."""
    begun_s = time.process_time()
    try:
        outcome = ordeal(seed)
    except (AssertionError, TimeoutError, ValueError, RuntimeError) as error:
        outcome = Outcome([f"{type(error).__name__}: {error}"])
    return seed, outcome, time.process_time() - begun_s


def main() -> None:
    """Go through all of them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--ordeals", type=int, default=2_000)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--processes", type=int, default=2)
    args = parser.parse_args()
    total, failed, taken_s = Outcome(), 0, 0.0
    seeds = range(args.first, args.first + args.ordeals)
    with multiprocessing.Pool(args.processes) as pool:
        for seed, outcome, seconds in pool.imap_unordered(go_through, seeds, 8):
            taken_s += seconds
            total.requests += outcome.requests
            total.exact += outcome.exact
            total.parts += outcome.parts
            if outcome.untrue:
                failed += 1
                if failed <= LISTED_MAX:
                    print(f"seed {seed}: {outcome.untrue[0]}", flush=True)
    print(
        f"{args.ordeals} ordeals from seed {args.first}: {total.requests} requests, "
        f"{total.exact} exact, {total.parts} parts; {failed} ordeals with something untrue; "
        f"{taken_s:.0f} s of processor time"
    )


if __name__ == "__main__":
    main()
