"""Extents against a cloud of surface points seen from every side; sections to paste; own parts."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from hostsim.config import convert
from hostsim.parts import PartError, find_part

CONFIGS = Path(__file__).parents[3] / "configs"
NUT = tomllib.loads((CONFIGS / "m4_nut.toml").read_text())
VIEWS = 4_000  # directions; the longest extent is then found within a part in a thousand


def surface(part):
    """Points on the surface of a part at its largest limits, mm: rows of x, y, z."""
    dims = {each.name: each.limits.most for each in part.shape.dimensions}
    turns = np.arange(720) / 720 * 2 * np.pi

    def rim(diameter, z):
        circle = diameter / 2 * np.array([np.cos(turns), np.sin(turns), 0 * turns]).T
        return circle + np.array([0, 0, z])

    if "corners" in dims:
        corners = np.arange(6) / 6 * 2 * np.pi
        flat = dims["corners"] / 2 * np.array([np.cos(corners), np.sin(corners), 0 * corners]).T
        return np.concatenate([flat, flat + np.array([0, 0, dims["height"]])])
    if "outer" in dims:
        return np.concatenate([rim(dims["outer"], 0), rim(dims["outer"], dims["height"])])
    form, head, rise = part.shape.form, dims["head"], dims["head_height"]
    end = dims["length"] if form == "cone" else dims["length"] + rise
    widest = 0 if form == "cone" else rise
    top = [[0, 0, 0]] if form == "dome" else rim(head, 0)
    return np.concatenate([top, rim(head, widest), rim(dims["shank"], end)])


def extents(points):
    """How long the part is, seen from many sides."""
    rng = np.random.default_rng(5)
    views = rng.normal(size=(VIEWS, 3))
    views /= np.linalg.norm(views, axis=1)[:, None]
    shadows = points @ views.T
    return np.ptp(shadows, axis=0)


@pytest.mark.parametrize(
    "name",
    [
        "ISO 4032 M4",
        "ISO 7089 M6",
        "ISO 4762 M4x12",
        "ISO 4762 M8x12",
        "ISO 7380-1 M5x10",
        "ISO 10642 M8x10",
        "ISO 10642 M4x30",
        "ring outer=6mm hole=3mm height=15mm",
        "headed head=20mm head_height=1mm shank=2mm length=3mm",
    ],
)
def test_no_attitude_shows_more_than_the_longest_and_one_shows_it(name):
    part = find_part(name)
    seen = extents(surface(part))
    assert seen.max() <= part.longest_mm
    assert seen.max() >= 0.995 * part.longest_mm - 0.01  # of rounding up
    assert seen.min() >= part.shortest_mm


@pytest.mark.parametrize("name", ["ISO 4032 M5", "ISO 7089 M4", "ISO 4762 M4x12"])
def test_the_section_to_paste_is_one_that_a_description_takes(name):
    part = find_part(name)
    section = tomllib.loads(part.toml())["part"]
    config = convert({**NUT, "part": section, "beam": {**NUT["beam"], "drop_mm": 30.0}}, CONFIGS)
    settings = config.settings
    assert settings.part_longest_um == round(part.longest_mm * 1e3)
    assert settings.part_mass_mg == pytest.approx(part.mass_g * 1e3, abs=0.5)
    assert (settings.part_hole_um > 0) == (part.hole_mm > 0)


def test_the_shipped_descriptions_agree_with_the_library():
    """configs/ was written by hand from the same standards; it may only be more careful."""
    for name, file in (("ISO 4032 M4", "m4_nut"), ("ISO 7089 M4", "m4_washer")):
        part = find_part(name)
        written = tomllib.loads((CONFIGS / f"{file}.toml").read_text())["part"]
        assert written["longest_mm"] == pytest.approx(part.longest_mm, abs=0.02)
        assert written["shortest_mm"] == pytest.approx(part.shortest_mm, abs=0.04)
        assert written["hole_mm"] == pytest.approx(part.hole_mm, rel=0.05)
        assert written["mass_g"] == pytest.approx(part.mass_g, rel=0.05)


def test_a_part_of_ones_own_in_words_and_in_a_file(tmp_path):
    words = 'ring outer=6mm hole=0.32cm height=8mm density=2700kg/m3 tolerance=50um name="alu"'
    (tmp_path / "spacer.toml").write_text(
        '[part]\nshape = "ring"\nouter = "6 mm"\nhole = "3.2 mm"\nheight = "8 mm"\n'
        'density = "2.7 g/cm3"\ntolerance = "0.05 mm"\nname = "alu"\n'
    )
    for part in (find_part(words), find_part(str(tmp_path / "spacer.toml"))):
        assert part.name == "alu"
        # pi/4 (6^2 - 3.2^2) 8 mm3 at 2.7 g/cm3
        assert part.mass_g == pytest.approx(0.437, abs=0.001)
        assert (part.longest_mm, part.shortest_mm, part.hole_mm) == (10.08, 5.95, 3.25)


def test_inches_are_turned_into_millimetres():
    part = find_part("hexagon flats=0.25in hole=0.1in height=3mm tolerance=0mm")
    assert part.shape.flats.most == pytest.approx(6.35)  # 1 in = 25.4 mm, exactly


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("ring outer=6 hole=3mm height=2mm", 'outer = "6": give a number and its unit'),
        ("ring outer=6kg hole=3mm height=2mm", "one of mm, cm, um, in"),
        ("ring outer=6mm hole=3mm height=2mm density=7.85", "one of kg/dm3"),
        ("ring outer=6mm hole=3mm", "height: missing"),
        ("ring outer=6mm hole=3mm height=2mm tolerance=1", "tolerance"),
        ("ring outer=900mm hole=3mm height=2mm", "allowed 0.1 to 200 mm"),
        ("ring outer=6mm hole=5.9mm height=2mm", "must be less than outer"),
        ("ring outer=6mm hole=3mm height=0.1mm", "more than its tolerance"),
        ("ring outer=6mm hole=3mm hight=2mm", "the nearest known one is height"),
        ("ring outer 6mm", "key=value"),
        ("ring outer=6mm outer=7mm hole=3mm height=2mm", "outer: given twice"),
        ("headed head=3mm head_height=1mm shank=3mm length=5mm", "must be less than head"),
        ("ring outer=-6mm hole=3mm height=2mm", "allowed"),
        ("ring outer=1e3mm hole=3mm height=2mm", "allowed"),
        ('ring outer=6mm hole=3mm height=2mm name="' + "x" * 33 + '"', "1 to 32"),
        ("nowhere.toml", "cannot read"),
    ],
)
def test_what_is_described_wrongly_is_refused_in_one_line(asked, said):
    with pytest.raises(PartError) as refused:
        find_part(asked)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)
