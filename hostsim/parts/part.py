"""A part: a shape with a name, a density and the places its figures come from."""

import math
from dataclasses import asdict, dataclass
from functools import cached_property
from typing import Any

from hostsim.parts.shapes import Envelope, Shape

STEEL_KG_DM3 = 7.85  # the convention of tables of mass per 1000 pieces
LISTED_MM = 100  # a module description gives hundredths of a millimetre


class PartError(ValueError):
    """There is no such part, or it is described wrongly; one line that says what to do."""


@dataclass(frozen=True)
class Part:
    """What a module dispenses."""

    designation: str  # "ISO 4032 M4", or the words that described it
    title: str  # "hexagon nut"
    name: str  # at most 32 characters: what the module calls it
    shape: Shape
    density_kg_dm3: float
    sources: tuple[str, ...]

    @cached_property
    def longest_mm(self) -> float:
        """Longest extent in any attitude, rounded up to what a module description holds."""
        return _up(self.shape.longest_mm)

    @cached_property
    def shortest_mm(self) -> float:
        """Shortest extent in any attitude, rounded down likewise."""
        return _down(self.shape.shortest_mm)

    @cached_property
    def hole_mm(self) -> float:
        """Hole light can pass, rounded up likewise; 0 for none."""
        return _up(self.shape.hole_mm)

    @cached_property
    def mass_g(self) -> float:
        """Mass of the nominal dimensions, to three digits."""
        grams = self.shape.volume_mm3 * self.density_kg_dm3 / 1e3
        return float(f"{grams:.3g}")

    @cached_property
    def envelope(self) -> Envelope:
        """The room it takes in the way it is fed."""
        return self.shape.envelope

    def toml(self) -> str:
        """Return the [part] section of a module description."""
        rows = (
            ("name", f'"{self.name}"', ""),
            ("longest_mm", f"{self.longest_mm:g}", "longest extent in any attitude"),
            ("shortest_mm", f"{self.shortest_mm:g}", "shortest extent that can darken the beam"),
            ("hole_mm", f"{self.hole_mm:.9g}" if self.hole_mm else "0.0", "what light can pass"),
            ("mass_g", f"{self.mass_g:g}", f"nominal, {self.density_kg_dm3:g} kg/dm3"),
        )
        lines = [f"[part]{'':25}# {self.designation}, {self.title}"]
        for key, value, remark in rows:
            row = f"{key} = {value}"
            lines.append(f"{row:<30} # {remark}" if remark else row)
        return "\n".join(lines)

    def as_dict(self) -> dict[str, Any]:
        """Return the part as plain values, lengths in mm, mass in g."""
        return {
            "designation": self.designation,
            "title": self.title,
            "dimensions_mm": {
                each.name: {**each.limits._asdict(), "meaning": each.meaning}
                for each in self.shape.dimensions
            },
            "envelope": asdict(self.envelope),
            "part": {
                "name": self.name,
                "longest_mm": self.longest_mm,
                "shortest_mm": self.shortest_mm,
                "hole_mm": self.hole_mm,
                "mass_g": self.mass_g,
            },
            "density_kg_dm3": self.density_kg_dm3,
            "sources": list(self.sources),
        }


# A millionth is taken off before rounding, so that 9.05 in binary does not become 9.06.
def _up(value_mm: float) -> float:
    return math.ceil(value_mm * LISTED_MM - 1e-6) / LISTED_MM


def _down(value_mm: float) -> float:
    return math.floor(value_mm * LISTED_MM + 1e-6) / LISTED_MM
