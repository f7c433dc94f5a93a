"""Parts, motors and searches that the tests of sizing share."""

from functools import cache

from hostsim.parts import find_part
from hostsim.sizing import Found, Wanted, search
from hostsim.sizing.train import MOTOR, MOTORS

PARTS = ("ISO 4032 M5", "ISO 7089 M3", "ISO 4762 M4x12", "ISO 7380-1 M6x20", "ISO 10642 M3x8")


@cache
def found(name: str, width_mm: float | None = None, pockets: tuple[int, int] = (5, 9)) -> Found:
    """A small search, made once."""
    return search(Wanted(find_part(name), MOTORS[MOTOR], pockets, width_mm))
