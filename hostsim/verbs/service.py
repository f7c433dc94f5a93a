"""`tallywheel service`: what a module has counted, how long its sprocket lasts, what is due."""

import argparse
import json
from dataclasses import asdict
from pathlib import Path

from hostsim.answers import Counters
from hostsim.config_keys import ROWS
from hostsim.life import Forecast, due, miss_limits
from hostsim.table import table
from hostsim.verbs.common import VerbError, Verbs, add_verb, read_config, whole
from hostsim.verbs.request import add_line, connected

DAY_MAX = 10_000_000

DETAILS = """\
Reads the counters of the sprocket and says how many days it lasts at the planned output, when to
order the next one, and whether the share of misses (pockets that stayed empty although parts were
there) is still that of a sound module. Nothing moves and nothing is changed. Days are days of
production.

PORT is a device path such as /dev/ttyACM0, or what `tallywheel serve` prints. The exit status is 0
only if nothing is due.

example: tallywheel service /dev/ttyACM0 --per-day 8000"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "service", run, "say when the sprocket is due", DETAILS)
    parser.add_argument("port", metavar="PORT", help="serial port of the module")
    parser.add_argument(
        "--config", metavar="CONFIG", type=Path, help="module description, whose [plan] counts"
    )
    parser.add_argument(
        "--per-day", metavar="N", type=whole("parts", 1, DAY_MAX), help="parts a day instead"
    )
    add_line(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Ask, forecast, and say what is due."""
    per_day, lead_days = _plan(args)
    with connected(args) as module:
        part, counters = module.part_name(), module.counters()
    one = Forecast(counters.pieces, counters.rated, per_day, lead_days)
    wanted = list(due(one, counters))
    if args.json:
        print(json.dumps(_as_dict(part, counters, one, wanted)))
    else:
        print(f"sprocket for {part}\n\n{_figures(counters, one)}")
    if wanted:
        raise VerbError(*wanted)
    return 0


def _plan(args: argparse.Namespace) -> tuple[int, int]:
    """Parts a day and days of delivery: as asked for, or as described."""
    if args.config:
        plan = read_config(args.config).values["plan"]
    elif args.per_day:
        plan = {row.name: row.default for row in ROWS if row.section == "plan"}
    else:
        raise VerbError("the planned output is not known: give --config CONFIG or --per-day N")
    return args.per_day or plan["parts_per_day"], plan["lead_days"]


def _figures(counters: Counters, one: Forecast) -> str:
    least, most = miss_limits(counters)
    missed = f"{100 * counters.misses / counters.pockets:.2f}" if counters.pockets else "-"
    rows = [
        ("pieces carried", f"{counters.pieces}", f"of {counters.rated} rated"),
        ("pieces left", f"{one.left}", f"{100 * one.left / one.rated:.1f} %"),
        ("days left", f"{one.days:.1f}", f"at {one.parts_per_day} parts a day"),
        ("order in", f"{one.order_days:.1f}", f"days; {one.lead_days} to be delivered"),
        ("misses", missed,
         f"% of the pockets, 95 % limits {100 * least:.2f} to {100 * most:.2f} (Wilson)"),
        ("jams", f"{counters.jams}", f"and {counters.retries} further runs"),
    ]  # fmt: skip
    return table(("figure", "value", "meaning"), rows)


def _as_dict(part: str, counters: Counters, one: Forecast, wanted: list[str]) -> dict[str, object]:
    return {
        "part": part,
        "counters": asdict(counters),
        "left": one.left,
        "days": one.days,
        "order_days": one.order_days,
        "miss_limits": miss_limits(counters),
        "due": wanted,
    }
