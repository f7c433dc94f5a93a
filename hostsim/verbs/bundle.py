"""`tallywheel bundle`: the firmware of one module as a folder for a board."""

import argparse
import shlex
from pathlib import Path

from hostsim.bundle import build, manifest
from hostsim.bundle.boards import BOARDS
from hostsim.bundle.build import Bundle, MisfitError
from hostsim.bundle.compile import CompileError
from hostsim.bundle.manifest import NoBundleError
from hostsim.bundle.rom import BUILD
from hostsim.table import table
from hostsim.verbs.common import VerbError, Verbs, add_config, add_verb, one_of, read_config

DETAILS = """\
DIR gets the compiled firmware, the core of `transitions`, `main.py`, the module's settings
(settings.json), its moves planned ahead (profile.bin) and a manifest of all that with sizes and
SHA-256. Prints their sizes in bytes. A bundle that is there already is replaced, anything else is
left alone. The same description gives the same bytes.

Where MicroPython has a ROM partition, code can run from flash instead of the heap: `tallywheel
flash` puts it there. --romfs adds that image to the folder (firmware.romfs), for other tools.

The folder also runs as it is on a computer, in lock-step with a host over standard input and
output: `micropython DIR/main.py`.

example: tallywheel bundle configs/m4_nut.toml --out build/m4_nut"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "bundle", run, "make the firmware of a module for a board", DETAILS)
    add_config(parser)
    parser.add_argument(
        "--out", metavar="DIR", type=Path, required=True, help="folder to make, or to replace"
    )
    parser.add_argument(
        "--board",
        metavar="NAME",
        type=one_of("board", BOARDS),
        help=f"board it is for: {' or '.join(BOARDS)} (default: the one that CONFIG names)",
    )
    parser.add_argument("--romfs", action="store_true", help="make a ROMFS image as well")


def run(args: argparse.Namespace) -> int:
    """Make the bundle and print what is in it."""
    if args.out.resolve() == Path.cwd():
        raise VerbError(f"--out {args.out} is the folder you are in; give another one")
    config = read_config(args.config)
    board = BOARDS[args.board or config.settings.board_name]
    try:
        bundle = build.make(config, board, args.romfs)
        build.write(bundle, args.out)
    except MisfitError as error:
        raise VerbError(*(f"{args.config}: {each}" for each in error.problems)) from error
    except CompileError as error:
        raise VerbError(str(error)) from error
    except NoBundleError as error:
        raise VerbError(f"{error}; give --out another folder") from error
    print(f"{sizes(bundle)}\nnext: tallywheel flash PORT {shlex.quote(str(args.out))}")
    return 0


def sizes(bundle: Bundle) -> str:
    """What is in a bundle, room by room, and on how much flash."""
    about = bundle.manifest
    rooms: dict[str, list[int]] = {}
    for path, entry in about.files.items():
        room, _, name = path.rpartition("/")
        rooms.setdefault(room + "/" if room else name, []).append(entry.size)
    rooms[manifest.NAME] = [len(about.to_json().encode())]
    rows = [[room, str(len(each)), str(sum(each))] for room, each in sorted(rooms.items())]
    board = BOARDS[about.board]
    block = board.block_bytes
    everything = [size for each in rooms.values() for size in each]
    blocks = sum(-(-size // block) for size in everything)
    rows.append(["all", str(len(everything)), str(sum(everything))])
    made_with = ", ".join(f"{name} {number}" for name, number in about.versions.items())
    least = ".".join(map(str, about.micropython_least))
    lines = [
        table(["part", "files", "bytes"], rows),
        "",
        f"{about.module} for {about.board}, {made_with}",
        f"mpy format {about.mpy_version}: MicroPython {least} or later",
        f"on a file system in blocks of {block} bytes: {blocks * block} bytes",
    ]
    if not board.from_files:
        lines.append(
            f"an {board.machine} has too little heap for code from files: it needs a MicroPython "
            f"with a ROM partition, built with {BUILD}"
        )
    if bundle.romfs:
        lines.append(f"ROMFS image: {len(bundle.romfs)} bytes")
    return "\n".join(lines)
