"""The library: standard parts from the tables beside this file.

Theory of operation
-------------------
Each file in `tables/` is one standard: its title, the shape its sizes have, and for every size the
limits of its dimensions.  `threads.toml` adds what a thread of that size is like.  A designation
such as "ISO 4762 M4x12" names a standard, a size and, of screws, a length of its series; case and
blanks do not matter, and a property class behind it is passed over.
"""

import difflib
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from hostsim.parts.part import STEEL_KG_DM3, Part, PartError
from hostsim.parts.shapes import Headed, Hexagon, Limits, Ring, Shape

PITCH_DIAMETER = 0.649519  # of the pitch below the major diameter, ISO 68-1 (3/8 sqrt 3)
NEAREST = 3

# Tolerance js15 of a length up to so much (mm): half of IT15, ISO 286-1; lengths to 60 mm as
# tabulated with ISO 7380 and ISO 10642 at scribd.com, longer ones from memory.
LENGTH_TOLERANCES = ((3, 0.20), (6, 0.24), (10, 0.29), (18, 0.35), (30, 0.42), (50, 0.5), (80, 0.6),
                     (120, 0.7))  # fmt: skip

# Standards that were replaced, by numbers that people still say.
REPLACED = {
    "DIN 934": ("ISO 4032", "its nuts from M5 up are lower"),
    "DIN 125": ("ISO 7089", "its washers are the same in these sizes"),
    "DIN 912": ("ISO 4762", "its screws are the same"),
    "DIN 7991": ("ISO 10642", "its heads are smaller"),
    "ISO 7380": ("ISO 7380-1", "part 2 has a collar"),
}

DESIGNATION = re.compile(
    r"""(?P<body>ISO|DIN)[\s-]*(?P<number>\d{3,5}(?:-\d(?!\d))?)
        [\s,\u2013-]*(?P<size>M\s*\d+(?:\.\d+)?)
        (?:\s*[x*\u00d7]\s*(?P<length>\d+(?:\.\d+)?))?
        (?:[\s,\u2013-]+[\w.-]+)?""",  # a property class such as 8.8, 10 or A2-70
    re.VERBOSE | re.IGNORECASE,
)


@dataclass(frozen=True)
class Standard:
    """One table."""

    name: str  # "ISO 4032"
    title: str
    table: dict[str, Any]

    @property
    def sizes(self) -> dict[str, dict[str, Any]]:
        """Dimensions by thread size."""
        found: dict[str, dict[str, Any]] = self.table["sizes"]
        return found

    def lengths(self, size: str) -> list[float]:
        """Lengths of the series in that size; [] where parts have none."""
        span = self.sizes[size].get("lengths")
        if span is None:
            return []
        return [length for length in self.table["lengths"] if span[0] <= length <= span[1]]

    def designations(self) -> Iterator[str]:
        """Yield every part of it."""
        for size in self.sizes:
            lengths = self.lengths(size)
            yield from (f"{self.name} {size}x{length:g}" for length in lengths)
            if not lengths:
                yield f"{self.name} {size}"


@cache
def standards() -> dict[str, Standard]:
    """Return all standards of the library by name."""
    found = {}
    for file in sorted(resources.files(__package__).joinpath("tables").iterdir(), key=str):
        if file.name.startswith("iso"):
            table = tomllib.loads(file.read_text("utf-8"))
            found[table["standard"]] = Standard(table["standard"], table["title"], table)
    return found


@cache
def threads() -> dict[str, Any]:
    """Return the table of threads."""
    text = resources.files(__package__).joinpath("tables", "threads.toml").read_text("utf-8")
    return tomllib.loads(text)


def designations() -> list[str]:
    """Return every part of the library, in the order of its tables."""
    return [name for standard in standards().values() for name in standard.designations()]


def standard_part(text: str) -> Part:
    """Return the part of that designation. Raises PartError, with the nearest that exist."""
    matched = DESIGNATION.fullmatch(text.strip())
    if not matched:
        raise PartError(_unknown(text))
    name = f"{matched['body'].upper()} {matched['number']}"
    if name in REPLACED and name.startswith("ISO"):
        name = REPLACED[name][0]
    elif name in REPLACED:
        successor, difference = REPLACED[name]
        said = _said(successor, matched)
        raise PartError(f"{name} is not in the library: {difference}; ask for {said!r}")
    standard = standards().get(name)
    if standard is None:
        raise PartError(_unknown(text))
    size = matched["size"].upper().replace(" ", "")
    if size not in standard.sizes:
        has = ", ".join(standard.sizes)
        raise PartError(f"there is no {name} {size} in the library; it has {has}")
    return _made(standard, size, matched["length"])


def _made(standard: Standard, size: str, length: str | None) -> Part:
    lengths = standard.lengths(size)
    has = ", ".join(f"{each:g}" for each in lengths)
    if lengths and length is None:
        raise PartError(f"{standard.name} {size} needs a length: {size}x{has} mm")
    if length is not None and not lengths:
        raise PartError(f"a {standard.title} has no length: ask for '{standard.name} {size}'")
    if length is not None and float(length) not in lengths:
        raise PartError(
            f"{standard.name} {size} has no length {float(length):g} mm; its series has {has}"
        )
    long = f"x{float(length):g}" if length is not None else ""
    shape = SHAPES[standard.table["shape"]](standard, size, float(length or 0))
    return Part(
        designation=f"{standard.name} {size}{long}",
        title=standard.title,
        name=f"{size}{long} {standard.table['said']}",
        shape=shape,
        density_kg_dm3=STEEL_KG_DM3,
        sources=(*standard.table["sources"], *_thread_sources(shape)),
    )


def _ring(standard: Standard, size: str, _: float) -> Shape:
    row = standard.sizes[size]
    return Ring(Limits(*row["outer"]), Limits(*row["hole"]), Limits(*row["height"]))


def _hexagon(standard: Standard, size: str, _: float) -> Shape:
    row, thread, diameter = standard.sizes[size], threads()["sizes"][size], float(size[1:])
    flats = Limits(*row["flats"])
    return Hexagon(
        flats=flats,
        height=Limits(*row["height"]),
        light=thread["minor_max"],
        bore=diameter - PITCH_DIAMETER * thread["pitch"],
        # Midway between what the standard allows and what geometry does.
        face=(row["face"] + flats.nominal) / 2,
        mouth=(row["mouth"] + diameter) / 2,
    )


def _headed(standard: Standard, size: str, length: float) -> Shape:
    row, thread, diameter = standard.sizes[size], threads()["sizes"][size], float(size[1:])
    tolerance = next(half for most, half in LENGTH_TOLERANCES if length <= most)
    return Headed(
        form=standard.table["form"],
        head=Limits(*row["head"]),
        head_height=Limits(*row["head_height"]),
        shank=Limits(thread["major_min"], diameter, diameter),
        length=Limits(length - tolerance, length, length + tolerance),
        core=diameter - PITCH_DIAMETER * thread["pitch"],
        threaded=row["threaded"],
        key=row["key"],
        key_depth=row["key_depth"],
    )


SHAPES = {"ring": _ring, "hexagon": _hexagon, "headed": _headed}


def _thread_sources(shape: Shape) -> tuple[str, ...]:
    return () if isinstance(shape, Ring) else tuple(threads()["sources"])


def _said(name: str, matched: re.Match[str]) -> str:
    """A designation with another standard's name."""
    long = f"x{matched['length']}" if matched["length"] else ""
    return f"{name} {matched['size'].upper().replace(' ', '')}{long}"


def _unknown(text: str) -> str:
    """Say that there is no such part, with the nearest that exist."""
    near = ", ".join(_of_size(text) or _alike(text) or standards())
    return (
        f"there is no part {text!r}; nearest: {near} (`tallywheel part` lists all; parts of"
        " your own are described in a file or in words, see `tallywheel part --help`)"
    )


def _of_size(text: str) -> list[str]:
    """Parts of the size that `text` names, of the kind it names if it does: "M4 nut"."""
    size = re.search(r"(?<![a-z])m *(\d+(?:\.\d+)?)", text.lower())
    if not size or re.search(r"iso|din", text.lower()):
        return []
    words = set(re.findall(r"[a-z]{3,}", text.lower()))
    sized = [each for each in standards().values() if f"M{size[1]}" in each.sizes]
    named = [each for each in sized if words & set(each.title.split())]
    return [f"{each.name} M{size[1]}" for each in named or sized]


def _alike(text: str) -> list[str]:
    """Parts whose designation is spelt much like `text`."""
    bare = {_bare(name): name for name in designations()}
    return [bare[each] for each in difflib.get_close_matches(_bare(text), bare, NEAREST, 0.5)]


def _bare(text: str) -> str:
    return re.sub(r"[^a-z0-9.]", "", text.lower())
