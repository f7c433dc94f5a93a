"""`tallywheel part`: dimensions, envelope and mass of a part, and its section for a description."""

import argparse
import json
import re
import shlex

from hostsim.parts import Part, PartError, find_part, standards
from hostsim.table import table
from hostsim.verbs.common import VerbError, Verbs, add_verb

DETAILS = """\
PART is one of
  "ISO 4032 M4", iso4762-m4x12     a standard part; case and blanks do not matter
  spacer.toml                      a file with a section [part]: shape = "ring", outer = "6 mm", ...
  "ring outer=6mm hole=3.2mm height=8mm"
                                   a part of your own in words, every quantity with its unit:
                                     ring     outer, hole, height
                                     hexagon  flats, hole, height
                                     headed   head, head_height, shank, length
                                   and, if need be, tolerance (0.1 mm), density (7.85 kg/dm3), name
Without PART all standard parts are listed.

Dimensions are in mm, mass in g. Lengths may be given in mm, cm, um or in, densities in kg/dm3,
g/cm3 or kg/m3. The mass is that of the nominal dimensions; parts are mostly a few per cent lighter.

example: tallywheel part "ISO 4032 M4\""""

ORIENTATIONS = {
    "flat": "lies on its face and touches its neighbours rim to rim",
    "hung": "hangs by the head in a slot and touches its neighbours head to head",
}


def add(verbs: Verbs) -> None:
    """Declare the verb."""
    parser = add_verb(verbs, "part", run, "show a part's dimensions, mass and envelope", DETAILS)
    parser.add_argument("part", metavar="PART", nargs="?", help="designation, file or description")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Show the part, or list them all."""
    if args.part is None:
        print(json.dumps(listed()) if args.json else told_list())
        return 0
    part = read_part(args.part)
    print(json.dumps(part.as_dict(), indent=2) if args.json else told(part, args.part))
    return 0


def read_part(text: str) -> Part:
    """Find a part; VerbError if there is none such."""
    try:
        return find_part(text)
    except PartError as error:
        raise VerbError(str(error)) from error


def told(part: Part, asked: str) -> str:
    """The part for reading."""
    rows = [
        (each.name, *(f"{mm:.2f}" for mm in each.limits), each.meaning)
        for each in part.shape.dimensions
    ]
    envelope = part.envelope
    room = [
        ("along the column", envelope.along_mm, "from part to part"),
        ("across the channel", envelope.across_mm, "without clearance"),
        ("height", envelope.above_mm, "of the head above the rail" if envelope.slot_mm else ""),
    ]
    if envelope.slot_mm:
        room.append(("below the rail", envelope.below_mm, "what hangs"))
        room.append(("width of the slot", envelope.slot_mm, "without clearance"))
    sections = [
        f"{part.designation}: {part.title}",
        table(("dimension (mm)", "least", "nominal", "most", "meaning"), rows),
        f"In the channel it {ORIENTATIONS[envelope.orientation]}\n"
        + table(
            ("envelope (mm)", "most", ""), [(name, f"{mm:.2f}", said) for name, mm, said in room]
        ),
        f"To paste into a module description\n\n{part.toml()}",
        "Sources\n" + "\n".join(f"- {source}" for source in part.sources),
        f"next: tallywheel size {quoted(asked)}",
    ]
    return "\n\n".join(sections)


def quoted(text: str) -> str:
    """An argument as one would type it in a shell."""
    plain = re.fullmatch(r"[\w.,/+-]+", text)
    return text if plain else f'"{text}"' if not set(text) & set('"$`\\!') else shlex.quote(text)


def listed() -> dict[str, list[str]]:
    """Every designation by standard."""
    return {name: list(standard.designations()) for name, standard in standards().items()}


def told_list() -> str:
    """The library for reading: a row for each standard and size."""
    rows = []
    for standard in standards().values():
        for size in standard.sizes:
            lengths = ", ".join(f"{length:g}" for length in standard.lengths(size))
            rows.append((standard.name, size, standard.title, lengths))
    headings = ("standard", "size", "part", "lengths (mm)")
    return f'{table(headings, rows)}\n\nnext: tallywheel part "ISO 4032 M4"'
