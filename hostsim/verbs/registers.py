"""`tallywheel registers`: the Modbus register map, for people or for programs."""

import argparse
import json
from pathlib import Path

from hostsim.registerdoc import as_json, as_text
from hostsim.verbs.common import Verbs, add_verb, read_config

DETAILS = """\
Addresses are those in the frame, from 0. A value divided by its divisor is in its unit. With
CONFIG, bounds that follow from the module are numbers, and --json tells its bus address and speed.
The numbers of states, outcomes and causes are explained in controller/link/REGISTERS.md.

With --json, one object: map_version, module (with CONFIG: name, address, baud), blocks (address,
words, name, doc: what must be written as a whole), registers (address, words, name, kind, unit,
divisor, access, low, high, doc), coils and discrete_inputs (address, name, doc).

example: tallywheel registers configs/m4_nut.toml --json"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "registers", run, "show the Modbus register map", DETAILS)
    parser.add_argument(
        "config", metavar="CONFIG", type=Path, nargs="?", help="module description (TOML)"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Print the map."""
    settings = None if args.config is None else read_config(args.config).settings
    print(json.dumps(as_json(settings), indent=1) if args.json else as_text(settings))
    return 0
