"""`tallywheel bringup`: the first power-up of a module, step by step."""

import argparse
from pathlib import Path

from hostsim.guided.bringup import PROCEDURE, STEPS
from hostsim.verbs.common import VerbError, Verbs, add_verb, read_config
from hostsim.verbs.guidance import add_arguments, go_on, report_path, run_through, session, where

DETAILS = """\
Goes through identity, inputs, guard, beam, motor, direction, pocket index and one counted part, in
an order in which nothing turns before what protects you has been seen to work. Before every step
in which the motor may turn you are asked; --yes does not answer that, nor what you have seen.
Each finding goes into the record (JSON) at once; run the same command again to go on after an
interruption or a repair. The report is one page of HTML, to be printed.

The firmware is no safety function: the guard switch must cut the drive in hardware. Isolate the
supply before you reach in. Local codes and licensed practice come before anything said here.

PORT is a device path such as /dev/ttyACM0, or what `tallywheel serve` prints. To try it out:

  tallywheel serve configs/m4_nut.toml --port module --hands hands        (in one terminal)
  tallywheel bringup module --config configs/m4_nut.toml --hands hands    (in another)

The exit status is 0 only if every step has passed or needs not be taken.

example: tallywheel bringup /dev/ttyACM0 --config configs/m4_nut.toml"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "bringup", run, "power a module up for the first time", DETAILS)
    add_arguments(parser, "bringup")
    parser.add_argument(
        "--config",
        metavar="CONFIG",
        type=Path,
        help="module description (TOML); the module must run with it",
    )


def run(args: argparse.Namespace) -> int:
    """Go through the steps; say what comes next."""
    # SciPy and matplotlib take a second to load.
    from hostsim.guided.figures import bringup_page  # noqa: PLC0415

    config = read_config(args.config) if args.config else None
    path = report_path(args)
    with session(args, PROCEDURE, config) as one:
        part = one.client.part_name()
        ended = run_through(STEPS, one, path, lambda record: bringup_page(record, part))
    print(f"record: {args.record}\nreport: {path}")
    if ended.how != "finished":
        raise VerbError(f"{where(ended)}; {go_on(ended)}")
    print(f"next: tallywheel commission {args.port} --config {args.config or 'CONFIG'}")
    return 0
