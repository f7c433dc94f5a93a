"""`tallywheel replay`: count a recorded trace again and say what was counted, and why."""

import argparse
from pathlib import Path

from hostsim.replay import Recount, replay
from hostsim.table import table
from hostsim.trace import TraceError, read_trace
from hostsim.verbs.common import VerbError, Verbs, add_verb, read_config, unreadable

DETAILS = """\
A trace is a CSV file with the columns time_us,what,a,b, oldest row first; `tallywheel dispense
--trace FILE` records one. Empty fields are 0. Times are in microseconds, quantities in parts.

  what     a                   b
  open     ticket              quantity           a request was opened
  dark     1 dark, 0 lit                          the self-test switched the beam's emitter
  test     1 passed, 0 failed                     the self-test ended
  release  pocket              uncertainty in us  a pocket passed its release edge
  creep    pocket              uncertainty in us  the same, at the creep rate
  edge     1 blocked, 0 clear                     the beam changed
  close    lower bound         upper bound        the request was closed, and how it was reported

The exit status is 0 only if every request is counted to the bounds that were reported.

example: tallywheel replay bag.csv --config configs/m4_nut.toml"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "replay", run, "count a recorded trace again, and say why", DETAILS)
    parser.add_argument("trace", metavar="TRACE", type=Path, help="recorded trace (CSV)")
    parser.add_argument(
        "--config", metavar="CONFIG", type=Path, required=True, help="module description (TOML)"
    )


def run(args: argparse.Namespace) -> int:
    """Count the trace and tell every finding."""
    settings = read_config(args.config).settings
    try:
        recounts = list(replay(read_trace(args.trace), settings))
    except TraceError as error:
        raise VerbError(f"{args.trace}: {error}") from error
    except OSError as error:
        raise unreadable(args.trace, error, "a trace of `dispense --trace`") from error
    if not recounts:
        raise VerbError(f"{args.trace}: holds no request: record one with `dispense --trace`")
    print("\n\n".join(map(told, recounts)))
    apart = [str(recount.ticket) for recount in recounts if not recount.agrees]
    if apart:
        tickets = "ticket" if len(apart) == 1 else "tickets"
        raise VerbError(
            f"{tickets} {', '.join(apart)} not counted as reported: is {args.config} the module "
            "that was recorded? Compare the findings with its windows (`tallywheel check`)"
        )
    return 0


def told(recount: Recount) -> str:
    """One request: what was counted, then every finding."""
    bounds = (
        f"{recount.lower}"
        if recount.lower == recount.upper
        else f"{recount.lower} to {recount.upper}"
    )
    agreed = (
        "as reported"
        if recount.agrees
        else f"reported as {recount.said_lower} to {recount.said_upper}"
    )
    rows = [
        (
            f"{finding.time_us / 1e6:.6f}",
            finding.what,
            str(finding.lower),
            str(finding.upper),
            finding.why,
        )
        for finding in recount.findings
    ]
    verdict = f"ticket {recount.ticket}: {bounds} of {recount.quantity} parts, {agreed}"
    return f"{verdict}\n\n{table(('time (s)', 'verdict', 'lower', 'upper', 'why'), rows)}"
