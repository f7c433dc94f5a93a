"""`tallywheel check`: what follows from a module description, its margins and warnings."""

import argparse
import shlex
from pathlib import Path

from hostsim.figures import check
from hostsim.verbs.common import Verbs, add_config, add_verb, read_config

TRIAL = 100  # parts of the first request one would try

DETAILS = """\
Prints the kinematics, the time windows of the counting, what limits the rate, and warnings, each
with its unit. A warning does not make the description wrong: the exit status is 0. What cannot be
run is refused, one line for each key: its value, unit and allowed range.

example: tallywheel check configs/m4_nut.toml"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "check", run, "check a module description", DETAILS)
    add_config(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Check the description and print the report."""
    config = read_config(args.config)
    report = check(config)
    if args.json:
        print(report.to_json())
        return 0
    quantity = min(TRIAL, config.settings.request_quantity_max)
    print(f"{report.render()}\n\nnext: {dispense_command(args.config, quantity)}")
    return 0


def dispense_command(path: Path, quantity: int) -> str:
    """The command that tries the module out."""
    return f"tallywheel dispense {shlex.quote(str(path))} --quantity {quantity}"
