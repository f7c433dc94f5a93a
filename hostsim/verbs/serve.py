"""`tallywheel serve`: a simulated module on a pseudo-terminal."""

import argparse

from hostsim.bench import Bystander
from hostsim.module import SimModule
from hostsim.serve import PseudoTerminal, serve, until_told
from hostsim.verbs.common import (
    Verbs,
    add_config,
    add_faults,
    add_seed,
    add_verb,
    number,
    read_config,
)

DETAILS = """\
The first line of standard output is the path of the pseudo-terminal, alone; give it to any serial
program (the speed setting does not matter, lines end in a line feed). The server runs until it is
interrupted (Ctrl-C). Clients may come and go.

A simulated person stands by: puts into the magazine what a client reports with MAGazine:LOAD, and
when the unit has stopped for a cause, does with the hands what its remedy says. Clearing,
resetting and starting the unit is left to the client.

example: tallywheel serve configs/m4_nut.toml --speed 4"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "serve", run, "put a simulated module on a pseudo-terminal", DETAILS)
    add_config(parser)
    parser.add_argument(
        "--link", choices=["scpi"], default="scpi", help="protocol of the line (default scpi)"
    )
    parser.add_argument(
        "--speed",
        metavar="X",
        type=number("times real time", 0.01, 1000),
        default=1.0,
        help="simulated seconds per second, 0.01 to 1000 (default 1)",
    )
    add_seed(parser)
    add_faults(parser)


def run(args: argparse.Namespace) -> int:
    """Serve until interrupted."""
    config = read_config(args.config)
    with (
        until_told(),
        SimModule(config, seed=args.seed, faults=args.faults) as module,
        PseudoTerminal() as terminal,
    ):
        print(terminal.path, flush=True)
        serve(module, terminal, args.speed, Bystander(module).look)
    return 0
