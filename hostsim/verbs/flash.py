"""`tallywheel flash`: a bundle onto a board."""

import argparse
import sys
from pathlib import Path

from hostsim.bundle.flash import Flashed, FlashError, flash
from hostsim.bundle.manifest import NoBundleError
from hostsim.table import ProgressLine
from hostsim.verbs.common import VerbError, Verbs, add_verb

DETAILS = """\
The board runs MicroPython and is on a USB port. Where the firmware runs already it is asked for its
prompt first, which it refuses while its motor is energised: stop the unit before.

Every file is read back and its SHA-256 compared with the manifest; files that are the same already
are not copied. main.py comes last: a copy that breaks off starts nothing, and is done again. A
bundle for another board, or a MicroPython that can't run it, is refused; sizes are in bytes.

Where the heap can't hold the code (rp2040), and elsewhere with --code-in-rom, the code goes into
the ROM partition that MicroPython has if it was built with MICROPY_HW_ROMFS_BYTES=262144; it is
read back too.

The firmware starts with its motor released and moves nothing until a host commands it. All the
same: keep hands and tools out of the module, or leave its motor supply off until it has started.

example: tallywheel flash /dev/ttyACM0 build/m4_nut"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "flash", run, "bring a bundle onto a board", DETAILS)
    parser.add_argument("port", metavar="PORT", help="serial port of the board's USB")
    parser.add_argument(
        "bundle",
        metavar="DIR",
        type=Path,
        nargs="?",
        default=Path(),
        help="folder made by `tallywheel bundle` (default: the one you are in)",
    )
    parser.add_argument(
        "--settings", action="store_true", help="replace the settings that are on the board"
    )
    parser.add_argument(
        "--erase-record",
        action="store_true",
        help="remove the board's record of tickets, results and counters",
    )
    parser.add_argument(
        "--code-in-rom",
        action="store_true",
        help="put the code into the board's ROM partition, from where it takes no heap",
    )
    parser.add_argument(
        "--no-start", action="store_true", help="leave the board at its prompt afterwards"
    )


def run(args: argparse.Namespace) -> int:
    """Copy the bundle and say what was done."""
    try:
        with ProgressLine(sys.stderr) as line:
            done = flash(
                args.port,
                args.bundle,
                settings=args.settings,
                record=args.erase_record,
                in_rom=args.code_in_rom,
                start=not args.no_start,
                show=line.show,
            )
    except FlashError as error:
        raise VerbError(str(error)) from error
    except NoBundleError as error:
        raise VerbError(f"{error}; `tallywheel bundle CONFIG --out DIR` makes one") from error
    print(told(done))
    return 0


def told(done: Flashed) -> str:
    """What was done, in a line or two."""
    text = f"{len(done.copied)} files copied and verified, {len(done.same)} were the same"
    if done.rom is not None:
        text += f"; the code in ROM {'was written and verified' if done.rom else 'was the same'}"
    if done.removed:
        text += f", {len(done.removed)} removed"
    if done.kept_settings:
        text += "\nthe board keeps its own settings; --settings replaces them"
    return text
