"""`tallywheel size`: designs of a module for a part, compared; the best written and drawn."""

import argparse
import json
import os
import re
import shlex
from pathlib import Path
from typing import Any

from hostsim.config import load
from hostsim.figures import check
from hostsim.named import replacing
from hostsim.parts import Part
from hostsim.sizing.description import text
from hostsim.sizing.report import report
from hostsim.sizing.search import POCKETS, POCKETS_LEAST, POCKETS_MOST, Found, Wanted, search
from hostsim.sizing.train import MOTOR, MOTORS, motor_of
from hostsim.sizing.wheel import SizeError
from hostsim.verbs.common import VerbError, Verbs, add_verb, number, output_path, picture_path
from hostsim.verbs.part import quoted, read_part

DETAILS = f"""\
PART is a designation such as "ISO 4032 M5", a file, or a description in words, as `tallywheel part
--help` tells. The units are mm, degrees of the sprocket, and parts a second.

For each number of pockets wheels and gears are compared; four things limit their rate:
  motor       pull-out torque must keep its margin over the demand at every speed of a run
  refill      a part must slide into a pocket while it is under the magazine's mouth
  separation  two parts must not meet at the beam, nor may a late part be taken for its neighbour
  lash        the same, when the wheel runs ahead of its gears by their lash
Without --rate a module is run at 95 % of the lowest of them.

Motors: {", ".join(MOTORS)}, or a module description whose [motor] is taken.

example: tallywheel size "ISO 4032 M5" --width 60 --out m5_nut.toml --drawing m5_nut.svg"""


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "size", run, "design a module for a part", DETAILS)
    parser.add_argument("part", metavar="PART", help="designation, file or description of the part")
    room = parser.add_mutually_exclusive_group()
    room.add_argument(
        "--width",
        metavar="MM",
        type=number("mm", 10, 1_000),
        help="widest housing around wheel, driven gear and motor, mm; wheels up to it are compared "
        "(default: the smallest wheels)",
    )
    room.add_argument(
        "--pitch-radius",
        metavar="MM",
        type=number("mm", 2, 500),
        help="axis to the middle of a pocket, mm",
    )
    parser.add_argument(
        "--pockets",
        metavar="A..B",
        type=pocket_range,
        default=POCKETS,
        help=f"range of pockets, or one number (default {POCKETS[0]}..{POCKETS[1]})",
    )
    parser.add_argument(
        "--rate",
        metavar="R",
        type=number("parts a second", 0.1, 100),
        help="parts a second wanted (default: as many as the limits allow)",
    )
    parser.add_argument(
        "--motor", metavar="NAME", default=MOTOR, help=f"the motor, see below (default {MOTOR})"
    )
    parser.add_argument(
        "--out", metavar="FILE", type=toml_path, help="write the best as a module description"
    )
    parser.add_argument(
        "--drawing",
        metavar="FILE",
        type=svg_path,
        help="draw its pockets, 1:1 with dimensions in mm (.svg)",
    )
    parser.add_argument(
        "--plot", metavar="FILE", type=picture_path, help="draw the designs compared (.svg, .png)"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Compare the designs; write and draw what was asked for."""
    part = read_part(args.part)
    try:
        wanted = Wanted(
            part, motor_of(args.motor), args.pockets, args.width, args.pitch_radius, args.rate
        )
        found = search(wanted)
    except SizeError as error:
        raise VerbError(str(error)) from error
    warnings = write(found, args.out, asked(args)) if args.out else []
    if args.drawing:
        from hostsim.sizing.drawing import draw  # noqa: PLC0415  only who draws waits for it

        draw(found.best, args.drawing)
    if args.plot:
        from hostsim.sizing.sizeplot import plot  # noqa: PLC0415  matplotlib takes a second to load

        plot(found, args.plot)
    if args.json:
        print(json.dumps(as_object(found), indent=2))
        return 0
    lines = [report(found), ""]
    lines += [f"warning: {warning}" for warning in warnings]
    lines += [f"wrote {path}" for path in (args.out, args.drawing, args.plot) if path]
    print("\n".join([*lines, following(args, part)]))
    return 0


def write(found: Found, path: Path, command: str) -> list[str]:
    """Write the description; return what `check` has to warn of."""
    best, part = found.best, found.wanted.part
    head = (
        f"{part.designation} ({part.title}), from {best.wheel.pockets} pockets, sized by\n"
        f"  {command}\n"
        "Every key says its unit.  Angles are of the sprocket, turns (rev) of the motor shaft.\n"
        "Estimates: lash, spread of the release and the sensor's times.  Measure them, and replace"
        " them here."
    )
    with replacing(path) as new:
        new.write_text(text(best.plan, head), encoding="utf-8")
    return check(load(path)).warnings


def as_object(found: Found) -> dict[str, Any]:
    """What --json prints."""
    return {
        "part": found.wanted.part.as_dict(),
        "motor": found.wanted.motor.name,
        "best": found.best.as_dict(),
        "why": found.reasons,
        "designs": [each.as_dict() for each in found.designs],
        "unfit": dict(found.unfit),
    }


def asked(args: argparse.Namespace) -> str:
    """The command again, as far as it decided the design."""
    words = ["tallywheel size", quoted(args.part)]
    if args.width is not None:
        words.append(f"--width {args.width:g}")
    if args.pitch_radius is not None:
        words.append(f"--pitch-radius {args.pitch_radius:g}")
    if args.pockets != POCKETS:
        words.append(f"--pockets {args.pockets[0]}..{args.pockets[1]}")
    if args.rate is not None:
        words.append(f"--rate {args.rate:g}")
    if args.motor != MOTOR:
        words.append(f"--motor {args.motor}")
    return " ".join(words)


def following(args: argparse.Namespace, part: Part) -> str:
    """The command that comes next."""
    if args.out:
        return f"next: tallywheel check {shlex.quote(str(args.out))}"
    stem = re.sub(r"\W+", "_", part.name.lower()).strip("_")
    return f"next: {asked(args)} --out {stem}.toml --drawing {stem}.svg"


def pocket_range(text: str) -> tuple[int, int]:
    """An argument type: A..B, or one number of pockets."""
    matched = re.fullmatch(r"(\d{1,3})(?:\.\.(\d{1,3}))?", text)
    if matched:
        first, last = int(matched[1]), int(matched[2] or matched[1])
        if POCKETS_LEAST <= first <= last <= POCKETS_MOST:
            return first, last
    raise argparse.ArgumentTypeError(
        f"{text!r} is not allowed: give pockets as A..B, {POCKETS_LEAST} to {POCKETS_MOST},"
        " such as 5..12"
    )


def toml_path(text: str) -> Path:
    """An argument type: a module description to write; not over one with measured values in it."""
    path = ending(text, ".toml")
    if os.path.lexists(path):  # unlike Path.exists it raises nothing behind a locked door
        raise argparse.ArgumentTypeError(f"{text!r} exists: give another name, or move it away")
    return path


def svg_path(text: str) -> Path:
    """An argument type: a drawing to write."""
    return ending(text, ".svg")


def ending(text: str, suffix: str) -> Path:
    """A file to write that ends so."""
    path = output_path(text)
    if path.suffix != suffix:
        raise argparse.ArgumentTypeError(f"{text!r} must end in {suffix}")
    return path
