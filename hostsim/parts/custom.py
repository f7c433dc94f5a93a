"""Parts of one's own: described in a TOML file, or in a few words on the command line.

Theory of operation
-------------------
    ring outer=6mm hole=3.2mm height=8mm density=2.7g/cm3 name="alu spacer"

is a shape and its dimensions; a file says the same under [part].  Every quantity carries its unit
("8 mm"): a bare number is refused, for nobody can tell millimetres from inches by looking.  A
dimension holds to +-`tolerance`, which is 0.1 mm unless it is given.
"""

import difflib
import math
import re
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hostsim.parts.part import STEEL_KG_DM3, Part, PartError
from hostsim.parts.shapes import COS_30, Headed, Hexagon, Limits, Ring, Shape
from hostsim.tomlfile import read_toml

LENGTHS = {"mm": 1.0, "cm": 10.0, "um": 1e-3, "in": 25.4}  # in mm
DENSITIES = {"kg/dm3": 1.0, "g/cm3": 1.0, "kg/m3": 1e-3}  # in kg/dm3
LENGTH_MM = (0.1, 200.0)  # what the firmware takes for an extent
DENSITY_KG_DM3 = (0.1, 25.0)  # foam to gold
TOLERANCE_MM = 0.1
NAME_MAX = 32  # characters; the firmware's limit for the name of a part

DIMENSIONS = {
    "ring": ("outer", "hole", "height"),
    "hexagon": ("flats", "hole", "height"),
    "headed": ("head", "head_height", "shank", "length"),
}
SAID = {"ring": "ring", "hexagon": "hexagon", "headed": "headed part"}
FURTHER = ("tolerance", "density", "name")


def is_described(text: str) -> bool:
    """True if `text` reads as a description of a part, not as a designation or a file."""
    return text.split(maxsplit=1)[:1] != [] and text.split(maxsplit=1)[0].lower() in DIMENSIONS


def described_part(text: str) -> Part:
    """Return the part that some words describe. Raises PartError."""
    try:
        shape, *words = shlex.split(text)
    except ValueError as error:
        raise PartError(f"{text!r}: {error}") from error
    values: dict[str, Any] = {"shape": shape.lower()}
    for word in words:
        key, equals, value = word.partition("=")
        if not equals:
            raise PartError(f"{word!r}: write each dimension as key=value, such as height=8mm")
        if key in values:
            raise PartError(f"{key}: given twice")
        values[key] = value
    return _made(values, "")


def part_of_file(path: Path) -> Part:
    """Return the part that a TOML file describes under [part]. Raises PartError, OSError."""
    try:
        written = read_toml(path)
    except ValueError as error:
        raise PartError(f"{path}: {error}") from error
    section = written.get("part")
    if not isinstance(section, dict):
        raise PartError(f"{path}: must have a section [part] with shape and dimensions")
    return _made(section, f"{path}: ")


def _made(values: dict[str, Any], where: str) -> Part:
    shape = values.get("shape")
    if shape not in DIMENSIONS:
        names = ", ".join(f'"{each}"' for each in DIMENSIONS)
        said = "shape: missing" if shape is None else f'shape = "{shape}"'
        raise PartError(f"{where}{said}: must be one of {names}")
    wanted = DIMENSIONS[shape]
    known = ("shape", *wanted, *FURTHER)
    for key in values:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1, cutoff=0.0)[0]
            raise PartError(f"{where}{key}: unknown for a {shape}; the nearest known one is {near}")
    for key in wanted:
        if key not in values:
            needs = ", ".join(wanted)
            raise PartError(f"{where}{key}: missing; a {shape} needs {needs}, each with its unit")
    lengths = {key: quantity(where + key, values[key], LENGTHS, *LENGTH_MM) for key in wanted}
    spread = quantity(
        f"{where}tolerance", values.get("tolerance", f"{TOLERANCE_MM} mm"), LENGTHS, 0.0, 5.0
    )
    density = quantity(
        f"{where}density",
        values.get("density", f"{STEEL_KG_DM3} kg/dm3"),
        DENSITIES,
        *DENSITY_KG_DM3,
    )
    _refuse_impossible(where, lengths, spread)
    made = MADE[shape]({key: Limits(mm - spread, mm, mm + spread) for key, mm in lengths.items()})
    size = " x ".join(f"{lengths[key]:g}" for key in wanted)
    return Part(
        designation=f"{SAID[shape]} {size}",
        title=f"{SAID[shape]} of one's own",
        name=_name(where, values.get("name", f"{SAID[shape]} {size}"[:NAME_MAX])),
        shape=made,
        density_kg_dm3=density,
        sources=(f"dimensions as given, +-{spread:g} mm",),
    )


def quantity(key: str, written: Any, units: dict[str, float], low: float, high: float) -> float:
    """Return a quantity in the unit that counts 1. Raises PartError on a wrong or missing unit."""
    names = ", ".join(units)
    matched = re.fullmatch(r"\s*([\d.eE+-]+)\s*([a-zA-Z][\w/]*)\s*", str(written))
    if not matched or matched[2] not in units:
        raise PartError(f'{key} = "{written}": give a number and its unit, one of {names}')
    try:
        value = float(matched[1]) * units[matched[2]]
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        first = next(iter(units))
        raise PartError(f'{key} = "{written}": allowed {low:g} to {high:g} {first}')
    return value


def _refuse_impossible(where: str, lengths: dict[str, float], spread: float) -> None:
    """PartError if a dimension vanishes in its tolerance, or one does not fit inside another."""
    for key, mm in lengths.items():
        if mm <= spread:
            raise PartError(
                f"{where}{key} = {mm:g} mm: must be more than its tolerance, {spread:g} mm"
            )
    for inner, outer in (("hole", "outer"), ("hole", "flats"), ("shank", "head")):
        if (
            inner in lengths
            and outer in lengths
            and lengths[inner] + spread >= lengths[outer] - spread
        ):
            raise PartError(
                f"{where}{inner} = {lengths[inner]:g} mm: must be less than {outer},"
                f" {lengths[outer]:g} mm, by more than twice the tolerance of {spread:g} mm"
            )


def _name(where: str, name: Any) -> str:
    sound = isinstance(name, str) and 0 < len(name) <= NAME_MAX and name.isascii()
    if not sound or '"' in name or not name.isprintable():
        raise PartError(
            f"{where}name = {name!r}: must be 1 to {NAME_MAX} printable ASCII characters without"
            " double quotes"
        )
    return str(name)


def _ring(limits: dict[str, Limits]) -> Shape:
    return Ring(limits["outer"], limits["hole"], limits["height"])


def _hexagon(limits: dict[str, Limits]) -> Shape:
    hole = limits["hole"]
    corners = limits["flats"].nominal / COS_30
    # Sharp corners and a plain hole: no chamfer begins inside, no countersink is wider.
    return Hexagon(
        limits["flats"], limits["height"], hole.most, hole.nominal, corners, hole.nominal
    )


def _headed(limits: dict[str, Limits]) -> Shape:
    shank = limits["shank"]
    return Headed(
        "cylinder", limits["head"], limits["head_height"], shank, limits["length"],
        core=shank.nominal, threaded=0.0, key=0.0, key_depth=0.0,
    )  # fmt: skip


MADE: dict[str, Callable[[dict[str, Limits]], Shape]] = {
    "ring": _ring,
    "hexagon": _hexagon,
    "headed": _headed,
}
