"""Sizing of every part in the library: does what is written pass `check`, and deliver exactly?

    python -m tests.bench.study_sizing [PARTS]

For each part (or every so many-th, to see PARTS of them) the best design of the smallest wheels and
that of two widths are written, loaded, checked, and made to deliver QUANTITY parts twice in the
plant.  Printed are the designs that were refused, warned of, not exact, or off the predicted time
by more than 5 %, then sums by standard.  A width too narrow for a part is no failure.
"""

import sys
import tempfile
import time
from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path

from hostsim.config import load
from hostsim.dispensing import dispense
from hostsim.facts import measure
from hostsim.figures import check
from hostsim.module import SimModule
from hostsim.parts import designations, find_part
from hostsim.plant.eventlog import EventLog
from hostsim.sizing import SizeError, Wanted, search
from hostsim.sizing.description import text
from hostsim.sizing.train import MOTOR, MOTORS
from hostsim.table import table

WIDTHS_MM = (None, 60.0, 100.0)
POCKETS = (5, 12)
QUANTITY = 15  # no magazine holds fewer
NEAR = 0.05  # of the predicted time


@dataclass(frozen=True)
class Trip:
    """One part and width, from designation to parts."""

    name: str
    width_mm: float | None
    designs: int
    search_s: float
    warnings: list[str]
    exact: bool
    error: float  # of the predicted time, as a share


def trip(name: str, width_mm: float | None, folder: Path) -> Trip:
    """Go all the way. Raises SizeError if there is no design."""
    begun_s = time.process_time()
    found = search(Wanted(find_part(name), MOTORS[MOTOR], POCKETS, width_mm))
    search_s = time.process_time() - begun_s
    path = folder / "sized.toml"
    path.write_text(text(found.best.plan, name), encoding="utf-8")
    config = load(path)
    with SimModule(config, seed=3, log=EventLog(keep=False)) as module:
        deliveries = list(dispense(module, QUANTITY, 2))
    predicted_s = settled_s(config)
    return Trip(
        name,
        width_mm,
        len(found.designs),
        search_s,
        check(config).warnings,
        all(each.exact and each.truthful for each in deliveries),
        deliveries[-1].result.seconds / predicted_s - 1,
    )


def settled_s(config) -> float:
    """Predicted time of QUANTITY parts: that of 25, less what the missing ones take at cruise."""
    facts = measure(config)
    return facts.settled_s[25] - (25 - QUANTITY) / facts.cruise_rate


def main(arguments: list[str]) -> int:
    """Study, print, and return 1 if anything failed."""
    names = designations()
    wanted = int(arguments[0]) if arguments else len(names)
    names = names[:: max(1, len(names) // wanted)]
    failures, narrow = [], Counter()
    trips: dict[str, list[Trip]] = defaultdict(list)
    with tempfile.TemporaryDirectory() as folder:
        for name in names:
            for width_mm in WIDTHS_MM:
                standard = name.rsplit(" ", 1)[0]
                try:
                    done = trip(name, width_mm, Path(folder))
                except SizeError as error:
                    narrow[standard] += 1
                    if width_mm is None or "width" not in str(error):
                        failures.append((name, str(width_mm), str(error)))
                    continue
                trips[standard].append(done)
                for holds, what in (
                    (not done.warnings, f"warned of: {done.warnings[:1]}"),
                    (done.exact, "not exact"),
                    (abs(done.error) <= NEAR, f"{100 * done.error:+.1f} % of the time predicted"),
                ):
                    if not holds:
                        failures.append((name, str(width_mm), what))
    if failures:
        print(table(("part", "width", "failed"), failures), end="\n\n")
    rows = [
        (standard, str(len(each)), str(narrow[standard]), str(sum(one.exact for one in each)),
         f"{100 * max(abs(one.error) for one in each):.1f}",
         f"{1e3 * sum(one.search_s for one in each) / sum(one.designs for one in each):.1f}")
        for standard, each in trips.items()
    ]  # fmt: skip
    headings = ("standard", "modules", "too narrow", "exact", "time off %", "ms a design")
    print(table(headings, rows))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
