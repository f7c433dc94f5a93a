"""How many parts a second the simulation carries, by the ways there are to run it.

    python -m tests.bench.bench_throughput [PARTS] [CONFIG]

Requests for 100 parts without faults, timed from the end of the first.  `direct` opens each request
and waits for `*OPC?`; `client` is what `tallywheel dispense` does (`hostsim.dispensing`: the client
polls, an attendant fills the magazine).  The children run the firmware in lock-step over a pipe;
their processor time, start included, is added to this one's.  Only one of the two works at a time,
so wall and processor time agree on an idle machine; on a busy one only the latter means something.
Each line is the best of several turns, which the ways take one after the other.

The targets are 5,000 parts a second in process on one core and 300 under MicroPython.  `time` is
what a part takes of the processor against the first way of this same run.
"""

import resource
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from hostsim.client import DispenserClient
from hostsim.config import ModuleConfig, load
from hostsim.dispensing import dispense
from hostsim.links import SimLink
from hostsim.module import SimModule
from hostsim.plant.eventlog import EventLog
from hostsim.table import table

CONFIGS = Path(__file__).parents[2] / "configs"
QUANTITY = 100
TARGETS = {"inprocess": 5_000, "cpython": 300, "micropython": 300}
CHILD_SHARE = 4  # children get one part in so many
TURNS = 3

Way = Callable[[SimModule, int], Iterator[object]]  # makes that many requests, a step for each


def direct(module: SimModule, requests: int) -> Iterator[None]:
    """The shortest conversation there is."""
    client = DispenserClient(SimLink(module))
    client.make_ready()
    client.load_magazine(module.plant.truth.in_magazine)
    for ticket in range(1, requests + 1):
        module.ask(f"REQ:OPEN {ticket},{QUANTITY};*OPC?")
        module.plant.refill(QUANTITY)
        module.tell(f"MAG:LOAD {QUANTITY}")
        yield


def through_client(module: SimModule, requests: int) -> Iterator[object]:
    """As the command line does it."""
    return dispense(module, QUANTITY, requests)


NAMES: dict[Way, str] = {direct: "direct", through_client: "client"}


def measure(config: ModuleConfig, engine: str, way: Way, parts: int) -> tuple[int, float, float]:
    """Return (parts that really passed, wall time in s, processor time in s)."""
    before_s = children_s()
    with SimModule(config, engine=engine, log=EventLog(keep=False)) as module:
        requests = way(module, 1 + parts // QUANTITY)
        next(requests)
        passed = module.plant.truth.passed
        wall_s, own_s = time.perf_counter(), time.process_time()
        for _ in requests:
            pass
        passed = module.plant.truth.passed - passed
        wall_s, own_s = time.perf_counter() - wall_s, time.process_time() - own_s
    return passed, wall_s, own_s + children_s() - before_s


def children_s() -> float:
    """Processor time of all children that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    parts = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    config = load(CONFIGS / (sys.argv[2] if len(sys.argv) > 2 else "m4_nut.toml"))
    ways = [(engine, way) for engine in TARGETS for way in (direct, through_client)]
    best: dict[tuple[str, Way], tuple[int, float, float]] = {}
    for key in ways * TURNS:
        engine, way = key
        share = parts if engine == "inprocess" else parts // CHILD_SHARE
        found = measure(config, engine, way, share)
        best[key] = min(best.get(key, found), found, key=lambda figures: figures[2])
    rows, first_s = [], 0.0
    for (engine, way), (passed, wall_s, cpu_s) in best.items():
        first_s = first_s or cpu_s / passed
        figures = (wall_s, cpu_s, cpu_s / passed / first_s)
        rates = (passed / wall_s, passed / cpu_s, TARGETS[engine])
        row = [f"{figure:.2f}" for figure in figures] + [f"{rate:.0f}" for rate in rates]
        rows.append([engine, NAMES[way], str(passed), *row])
    headings = ["engine", "way", "parts", "wall s", "cpu s", "time"]
    print(table([*headings, "parts/wall s", "parts/cpu s", "target"], rows))


if __name__ == "__main__":
    main()
