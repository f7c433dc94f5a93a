"""How long requests take, against the least that any controller could need.

    python -m tests.bench.bench_dispense [REQUESTS]

For each shipped module and some quantities, without faults: seconds of the first request after
power-up, of the slowest of those after it, and of the ideal: a time-optimal run over that many
pockets and the longest fall (see `tests/ideal.py`).  The target is a ratio of at most 1.02 for 100
parts.  All times are virtual: the same on any machine.

The ratio can fall below 1 because the last part is let go half a pocket before the run is over.
A first request for few parts takes far longer: the position is yet unknown, and there is no room
to find it at speed without the risk of a part too many.
"""

import sys
from pathlib import Path

from hostsim.config import load
from hostsim.dispensing import dispense
from hostsim.module import SimModule
from hostsim.table import table
from tests import ideal

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
QUANTITIES = (1, 5, 25, 100)


def rows(path: Path, requests: int) -> list[list[str]]:
    """One row per quantity."""
    config = load(path)
    made = []
    for quantity in QUANTITIES:
        with SimModule(config) as module:
            seconds = [
                (each.closed_us - each.opened_us) / 1e6
                for each in dispense(module, quantity, requests)
            ]
        least_s = ideal.request_s(config.values, quantity)
        first_s, later_s = seconds[0], max(seconds[1:])
        figures = (least_s, first_s, first_s / least_s, later_s, later_s / least_s)
        made.append([path.stem, str(quantity), *(f"{figure:.3f}" for figure in figures)])
    return made


def main() -> None:
    requests = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    headings = ["module", "parts", "ideal s", "first s", "ratio", "later s", "ratio"]
    print(table(headings, [row for path in CONFIGS for row in rows(path, requests)]))


if __name__ == "__main__":
    main()
