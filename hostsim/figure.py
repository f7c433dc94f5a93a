"""One line of a report, and how its number is said."""

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """One line for reading. `value` has been rounded for people; reports keep the number as well.

    `meaning` says what the value is, or the formula's source.
    """

    name: str
    value: str
    unit: str
    meaning: str


def rounded(value: float) -> str:
    """Four significant digits without an exponent."""
    if value == 0:
        return "0"
    digits = max(0, 3 - math.floor(math.log10(abs(value))))
    return f"{value:.{digits}f}"


def at_most(value: float, digits: int) -> str:
    """Say a number rounded down, so that it is still allowed as it is read."""
    return f"{math.floor(value * 10**digits) / 10**digits:.{digits}f}"


def at_least(value: float, digits: int) -> str:
    """The same, rounded up."""
    return f"{math.ceil(value * 10**digits) / 10**digits:.{digits}f}"
