"""How long `tallywheel size` takes to compare at least 500 designs, for one part of each standard.

    python -m tests.bench.bench_sizing

Processor time, of the search alone: from a part to the ranked designs.
"""

import sys
import time

from hostsim.parts import find_part
from hostsim.sizing import Wanted, search
from hostsim.sizing.train import MOTOR, MOTORS
from hostsim.table import table

PARTS = ("ISO 4032 M5", "ISO 7089 M4", "ISO 4762 M4x12", "ISO 7380-1 M6x20", "ISO 10642 M8x30")
POCKETS = (4, 40)
WIDTH_MM = 250.0
DESIGNS = 500
TARGET_S = 10.0


def main() -> int:
    """Measure, print, and return 1 if a part has too few designs to tell."""
    rows, enough = [], True
    for name in PARTS:
        wanted = Wanted(find_part(name), MOTORS[MOTOR], POCKETS, WIDTH_MM)
        begun_s = time.process_time()
        found = search(wanted)
        took_s = time.process_time() - begun_s
        count = len(found.designs)
        enough &= count >= DESIGNS
        rows.append(
            (name, str(count), f"{took_s:.2f}", f"{took_s * DESIGNS / count:.2f}", f"{TARGET_S:g}")
        )
    print(table(("part", "designs", "cpu s", f"s for {DESIGNS}", "target"), rows))
    return 0 if enough else 1


if __name__ == "__main__":
    sys.exit(main())
