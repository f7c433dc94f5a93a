"""`tallywheel dispense`: requests on a simulated module."""

import argparse
import json
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

from controller.settings import Settings
from hostsim import engine as engines
from hostsim.answers import Progress
from hostsim.config import ModuleConfig
from hostsim.dispensing import Delivery, dispense, parts_per_minute
from hostsim.errors import ModuleError
from hostsim.figures import check
from hostsim.module import SimModule
from hostsim.plant.eventlog import EventLog
from hostsim.plant.faults import MIXES
from hostsim.recorder import Recorder
from hostsim.report import advice, as_dict, verdict
from hostsim.table import ProgressLine, table
from hostsim.timeline import timeline
from hostsim.trace import is_trace, write_trace
from hostsim.verbs.common import (
    VerbError,
    Verbs,
    add_config,
    add_engine,
    add_faults,
    add_seed,
    add_verb,
    fault_list,
    output_path,
    picture_path,
    read_config,
    refuse_other,
    whole,
)

REQUESTS_MAX = 1_000_000
LISTED_MAX = 50  # rows of the table; of more requests only those that are not exact are worth one
KEYS = (
    "ticket",
    "quantity",
    "outcome",
    "lower",
    "upper",
    "truth",
    "pockets",
    "retries",
    "seconds",
    "cause",
)

DETAILS = f"""\
Quantities are in parts, times in seconds of the simulated module. `lower` and `upper` are the
module's bounds on the parts out; `truth` is what really fell while the request was open, known to
the simulation alone. A simulated person keeps the magazine filled, and puts right what has stopped
the unit once its request has closed.

The exit status is 0 only if every request is exact, and truly so.

--json prints one object: `requests` (a list of `ticket`, `quantity`, `outcome`, `lower`, `upper`,
`truth`, `pockets`, `retries`, `seconds`, `cause`), `parts_per_minute` (while requests are open),
`events` (lines of the event log) and `log_sha256` (its fingerprint: the same seed gives the same,
with every engine).

{fault_list()}

example: tallywheel dispense configs/m4_nut.toml --quantity 25 --requests 4 --faults everyday"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "dispense", run, "have a simulated module deliver parts", DETAILS)
    add_config(parser)
    parser.add_argument(
        "--quantity",
        metavar="N",
        type=whole("parts", 1, 1_000_000),
        required=True,
        help="parts of each request",
    )
    parser.add_argument(
        "--requests",
        metavar="R",
        type=whole("requests", 1, REQUESTS_MAX),
        default=1,
        help="requests, one after the other (default 1)",
    )
    add_seed(parser)
    add_faults(parser)
    add_engine(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument(
        "--trace", metavar="FILE", type=output_path, help="record what the sensors saw (see replay)"
    )
    parser.add_argument(
        "--plot",
        metavar="FILE",
        type=picture_path,
        help="draw the first request that is not exact, or else the slowest, over time (s)",
    )


def run(args: argparse.Namespace) -> int:
    """Make the requests and show how they ended."""
    config = read_config(args.config)
    most = config.settings.request_quantity_max
    if args.quantity > most:
        raise VerbError(
            f"--quantity {args.quantity} parts is not allowed: give 1 to {most}, "
            f"or raise request.quantity_max in {args.config}"
        )
    if args.trace:
        refuse_other(args.trace, is_trace, "trace")
    engine = engines.make(args.engine)
    recorder = Recorder(engine) if args.trace or args.plot else None
    log = EventLog(keep=False)
    with (
        closing(engine),
        SimModule(config, args.seed, args.faults, recorder or engine, log) as module,
    ):
        deliveries, stop = follow(module, args)
    if args.trace and recorder:
        write_trace(args.trace, recorder.trace())
    if args.plot and recorder:
        plot(recorder, config.settings, deliveries, args.plot)
    if args.json:
        print(json.dumps(as_object(deliveries, log)))
    else:
        print(told(deliveries, config.settings.part_name))
    if stop:
        raise VerbError(f"stopped after {len(deliveries)} of {args.requests} requests: {stop}")
    untrue = [str(each.result.ticket) for each in deliveries if not each.truthful]
    if untrue:
        raise VerbError(
            f"the module is wrong about {len(untrue)} of {len(deliveries)} requests (first: ticket "
            f"{untrue[0]}), {why_untrue(args.faults, config)}"
        )
    inexact = [each.result for each in deliveries if not each.exact]
    if inexact:
        raise VerbError(advice(inexact))
    return 0


def why_untrue(faults: str, config: ModuleConfig) -> str:
    """How a module could be wrong."""
    mix = MIXES[faults]
    if not mix.detectable:
        return f"because faults of the mix {mix.name} cannot be detected ({mix.why})"
    warnings = check(config).warnings
    if warnings:
        return f"and its description is known to be unfit ({warnings[0]})"
    return "which must never happen: report it with the command"


def follow(module: SimModule, args: argparse.Namespace) -> tuple[list[Delivery], str]:
    """Make the requests, with a progress line when somebody watches; return also why they ended
    early, or "". Raises ModuleError when not even one could be made."""
    deliveries: list[Delivery] = []
    total = args.quantity * args.requests

    with ProgressLine(sys.stderr) as line:

        def show(progress: Progress) -> None:
            done = args.quantity * len(deliveries) + progress.lower
            line.show(done, total, f"parts, ticket {progress.ticket} {progress.state}")

        try:
            for delivery in dispense(module, args.quantity, args.requests, show):
                deliveries.append(delivery)
        except ModuleError as error:
            if not deliveries:
                raise
            return deliveries, str(error)
    return deliveries, ""


def plot(recorder: Recorder, settings: Settings, deliveries: list[Delivery], path: Path) -> None:
    """Draw the request that is most worth a look."""
    from hostsim.timeplot import plot_timeline  # noqa: PLC0415  matplotlib takes a second to load

    slowest = max(deliveries, key=lambda each: each.result.duration_ms)
    chosen = next((each for each in deliveries if not each.exact), slowest)
    plot_timeline(timeline(recorder, settings, chosen), path)


def as_object(deliveries: list[Delivery], log: EventLog) -> dict[str, Any]:
    """What --json prints."""
    return {
        "requests": [as_row(each) for each in deliveries],
        "parts_per_minute": round(parts_per_minute(deliveries), 2),
        "events": len(log),
        "log_sha256": log.sha256(),
    }


def as_row(delivery: Delivery) -> dict[str, Any]:
    """One request as plain values, in the order in which they are shown."""
    values = as_dict(delivery.result) | {"truth": delivery.truth}
    return {key: values[key] for key in KEYS}


def told(deliveries: list[Delivery], part: str) -> str:
    """The verdict first, then a row for each request."""
    rate = f"{parts_per_minute(deliveries):.0f} parts a minute"
    lines = [f"{verdict([each.result for each in deliveries], part)} ({rate})"]
    untrue = sum(not each.truthful for each in deliveries)
    if untrue:
        lines.append(f"NOT TRUE: {untrue} x the truth is not what the module says")
    helped = sum(each.helped for each in deliveries)
    if helped:
        lines.append(f"a person had to put the unit right: {helped} x")
    listed = deliveries
    if len(deliveries) > LISTED_MAX:
        listed = [each for each in deliveries if not each.exact][:LISTED_MAX]
        lines.append(f"exact requests are not listed, nor more than {LISTED_MAX}")
    if listed:
        lines += [
            "",
            table(KEYS, [[cell(value) for value in as_row(each).values()] for each in listed]),
        ]
    return "\n".join(lines)


def cell(value: Any) -> str:
    """A value as it stands in the table."""
    if value is None:
        return "-"
    return f"{value:.2f}" if isinstance(value, float) else str(value)
