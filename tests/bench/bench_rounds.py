"""What a part costs the main loop: rounds of the firmware, beside a loop of everyday Python.

    MICROPYPATH=. micropython -X heapsize=16M tests/bench/bench_rounds.py SITE_PACKAGES

A module of the portable tests dispenses PARTS parts in requests for QUANTITY; only `Firmware.poll`
is timed.  Beside it runs a loop of calls, attributes, lists, texts and sums, as programs are made
of (`everyday`); times in passes of this loop carry over to other machines, and with some care to
other chips.  Every round is the best of REPEATS, which takes out what other programs do.  The first
request is told apart: in it moves are planned, which a bundle has done ahead.

The estimate for the two chips takes them to be CHIPS times as slow as the machine on which a pass
takes PASS_NS.  That factor is a guess from published tables of the pystone benchmark for
MicroPython (from memory: pyboard 1.0 about 1850 pystones/s, an RP2040 two thirds of it, an RP2350
twice that), against some 70000 on such a machine.  Nothing was measured on a chip.
"""

import sys
import time

from controller.shims.install import install

install(sys.argv[1] if len(sys.argv) > 1 else None)

from tests.portable.rig import Rig  # noqa: E402  the charts need the transitions core installed

PARTS, QUANTITY, REPEATS = 100, 20, 9
PASSES = 500  # at a time
TRIES = 300
PASS_NS = 300
CHIPS = (("RP2040", 60), ("RP2350", 30))

clock_us = getattr(time, "ticks_us", None) or (lambda: time.perf_counter_ns() // 1000)


class Point:
    """Something with a few attributes."""

    def __init__(self, place):
        self.place = place
        self.name = "some"

    def moved(self, by):
        self.place += by
        return self.place % 7


def everyday(passes):
    """Some calls, attributes, comparisons, list elements and texts for each pass."""
    point = Point(3)
    found = [0] * 8
    for number in range(passes):
        step = point.moved(number & 3)
        found[step] += number % 5
        if point.name == "other" or found[step] > 1000000:
            found[step] = 0
        found[7] = max(found[step], step)
    return found


def pass_ns():
    """Return the nanoseconds of one pass."""
    begin = clock_us()
    everyday(PASSES)
    return (clock_us() - begin) * 1000 // PASSES


def dispensed():
    """Dispense PARTS parts; return (us of each round, rounds of the first request)."""
    rig = Rig().in_execute()
    poll = rig.firmware.poll
    took = []
    first = 0

    def watched(now_us):
        begin = clock_us()
        due_us = poll(now_us)
        took.append(clock_us() - begin)
        return due_us

    rig.firmware.poll = watched
    for ticket in range(1, PARTS // QUANTITY + 1):
        rig.tell(f"MAG:LOAD {QUANTITY};:REQ:OPEN {ticket},{QUANTITY}")
        rig.closed()
        first = first or len(took)
    return took, first


def main():
    """Print the table."""
    unit_ns = min([pass_ns() for _ in range(TRIES)])
    runs = [dispensed() for _ in range(REPEATS)]
    rounds, first = len(runs[0][0]), runs[0][1]
    best_ns = [min([took[at] for took, _ in runs]) * 1000 for at in range(rounds)]
    spent_ns = sum(best_ns)
    print(f"a pass of the everyday loop: {unit_ns} ns")
    print(f"{'':27s} us here  passes" + "".join([f"  {name} ms" for name, _ in CHIPS]))
    for name, ns in (
        ("a part", spent_ns // PARTS),
        ("a round", spent_ns // rounds),
        ("longest round", max(best_ns[first:])),
        ("longest, while planning", max(best_ns[:first])),
    ):
        line = f"{name:27s} {ns // 1000:7d} {ns // unit_ns:7d}"
        for _, factor in CHIPS:
            tenths = ns // unit_ns * PASS_NS * factor // 100000
            line += f"  {tenths // 10:7d}.{tenths % 10}"
        print(line)
    print(f"{rounds} rounds for {PARTS} parts; the columns of the chips are estimates")


if __name__ == "__main__":
    main()
