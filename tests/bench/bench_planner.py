"""How fast moves are planned, and how small they are.

    python tests/bench/bench_planner.py        also runs under MicroPython, with MICROPYPATH=.

For each set of limits: the planning of the ramp (once per set), of the longest moves that have no
cruise (once per distance), and the making of a run from the planned ramp (every run).  Times are
the best of several repeats (processor time under CPython, wall time under MicroPython); the ratio
compares figures of this one run, so it means something on a machine that is busy or slow.

The targets are 300,000 planned steps a second on CPython, and 100 us for a run that is cached.
"""

import time

from controller.motion.profile import SHORT_MOVES, Planner
from controller.motion.words import TICK_HZ

REPEATS = 7
LIMITS = (  # steps/s, steps/s^2, steps/s^3 (0: trapezoid)
    (8000, 80000, 1600000),
    (8000, 80000, 0),
    (7913, 61234, 987654),
    (13714, 137143, 2742857),
    (50000, 1000000, 50000000),
)
RUN_STEPS = 200000

clock_us = getattr(time, "ticks_us", None) or (lambda: time.process_time_ns() // 1000)


def best_us(action, times=1):
    """Return (best time of `action` in microseconds, its result)."""
    best = None
    for _ in range(REPEATS):
        begin = clock_us()
        for _ in range(times):
            result = action()
        spent = (clock_us() - begin) / times
        best = spent if best is None else min(best, spent)
    return best, result


def main():
    """Print one line per set of limits."""
    print("limits                      ramp  words  plan ms | short  steps/s words | run us  ratio")
    for limits in LIMITS:
        ramp_us, planner = best_us(lambda limits=limits: Planner(*limits))
        steps = 2 * planner.ramp_steps - 1

        # A planner keeps a few moves: asking for one more in turn has each planned anew.
        def plan_short(planner=planner, steps=steps):
            for less in range(SHORT_MOVES, -1, -1):
                move = planner.move(steps - less, 1)
            return move

        short_us, short = best_us(plan_short)
        short_us = short_us / (SHORT_MOVES + 1)
        run_us, run = best_us(lambda planner=planner: planner.move(RUN_STEPS, 1), 100)
        rate = steps * 1000000 / short_us
        print(
            f"{limits[0]:6d} {limits[1]:8d} {limits[2]:9d} "
            f"{planner.ramp_steps:6d} {len(run.head):6d} {ramp_us / 1000:8.2f} |"
            f"{steps:6d} {rate:8.0f} {len(short.head) + len(short.tail):5d} |"
            f"{run_us:7.2f} {short_us / run_us:6.0f}"
        )
    print(f"ratio: planning a short move takes this many times as long as making a run; {TICK_HZ=}")


if __name__ == "__main__":
    main()
