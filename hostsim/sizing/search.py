"""The search: designs over a range of pockets, radii and gears, compared, and the best of them.

Theory of operation
-------------------
For each number of pockets there is a smallest wheel.  With a width to fill, larger ones are looked
at too, up to the width; each with a few trains of gears.  The best design is found by elimination:

    1  the rate: what reaches the rate asked for, or comes within 3 % of the fastest
    2  the dwell: what rests safely, with its margin above 0
    3  whole steps to a pocket, so that no rounding pattern is left
    4  the smallest housing, then the fewest teeth

`reasons` says how many designs each step left.
"""

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from hostsim.parts import Part
from hostsim.sizing.beam import choose_beam
from hostsim.sizing.design import Design, design
from hostsim.sizing.train import Motor, trains
from hostsim.sizing.wheel import (
    SizeError,
    UnfitError,
    Wheel,
    greatest_radius_mm,
    least_radius_mm,
    seat_mm,
)

RADII = 4  # wheels looked at for each number of pockets where a width leaves room
RADIUS_STEP_MM = 0.5  # radii are multiples of it
NEAR = 0.97  # of the fastest rate counts as as fast: estimates are no better
POCKETS = (5, 16)  # the range looked at unless another is asked for
POCKETS_LEAST, POCKETS_MOST = 3, 60


@dataclass(frozen=True)
class Wanted:
    """What is asked for. At most one of width and pitch radius; rate in parts a second."""

    part: Part
    motor: Motor
    pockets: tuple[int, int] = POCKETS
    width_mm: float | None = None
    pitch_radius_mm: float | None = None
    rate: float | None = None


@dataclass
class Found:
    """All designs, best first, and why others are none."""

    wanted: Wanted
    designs: list[Design] = field(default_factory=list)
    unfit: Counter[str] = field(default_factory=Counter)
    at_most: float = 0.0  # the fastest of those that don't allow the rate asked for, parts/s
    at_least: float = math.inf  # the slowest of those that don't go so slow, parts/s
    reasons: list[str] = field(default_factory=list)

    @property
    def best(self) -> Design:
        """The design to build."""
        return self.designs[0]

    def by_pockets(self) -> list[Design]:
        """The best design of each number of pockets, best first."""
        seen: dict[int, Design] = {}
        for each in self.designs:
            seen.setdefault(each.wheel.pockets, each)
        return list(seen.values())


def search(wanted: Wanted) -> Found:
    """Compare all designs. Raises SizeError if there is none, with what would help."""
    seat_mm(wanted.part)  # refuses a part that no seat can be made for
    motor = wanted.motor
    if wanted.width_mm is not None and wanted.width_mm < motor.face_mm:
        raise SizeError(
            f"--width {wanted.width_mm:g} mm is less than the motor {motor.name} is wide,"
            f" {motor.face_mm:g} mm: give more, or a smaller motor"
        )
    found = Found(wanted)
    first, last = wanted.pockets
    for pockets in range(first, last + 1):
        for wheel in wheels(wanted, pockets):
            _try_all(found, wheel)
    if not found.designs:
        raise SizeError(_nothing(found))
    _rank(found)
    return found


def wheels(wanted: Wanted, pockets: int) -> Iterator[Wheel]:
    """Yield the wheels of so many pockets that are worth a look, the smallest first."""
    part = wanted.part
    least = _step_up(least_radius_mm(part, pockets))
    if wanted.pitch_radius_mm is not None:
        if wanted.pitch_radius_mm >= least_radius_mm(part, pockets):
            yield Wheel(part, pockets, wanted.pitch_radius_mm)
        return
    if wanted.width_mm is None:
        yield Wheel(part, pockets, least)
        return
    room = greatest_radius_mm(part, wanted.width_mm) - least
    radii = {least + _step_down(room * share / (RADII - 1)) for share in range(RADII)}
    yield from (Wheel(part, pockets, radius) for radius in sorted(radii) if room >= 0)


def _try_all(found: Found, wheel: Wheel) -> None:
    """Add the designs of a wheel, or why there are none."""
    wanted = found.wanted
    choices = list(trains(wanted.motor.steps_per_turn, wheel.pockets, wanted.width_mm))
    if not choices:
        found.unfit["no gears fit the width"] += 1
        return
    try:
        beam = choose_beam(wheel, choices[0], wanted.motor)
    except UnfitError as error:
        found.unfit[str(error)] += 1
        return
    for train in choices:
        try:
            found.designs.append(design(wheel, train, wanted.motor, beam, wanted.rate))
        except UnfitError as error:
            found.unfit[str(error)] += 1
            found.at_most = max(found.at_most, error.at_most)
            found.at_least = min(found.at_least, error.at_least or math.inf)


def _rank(found: Found) -> None:
    """Put the best first, and say what it was chosen by."""
    designs, wanted = found.designs, found.wanted
    fastest = max(each.rate for each in designs)

    def quick(each: Design) -> bool:
        return wanted.rate is not None or each.rate >= NEAR * fastest

    def safe(each: Design) -> bool:
        return each.dwell_margin_deg > 0

    def whole(each: Design) -> bool:
        return each.steps_per_pocket.denominator == 1

    designs.sort(
        key=lambda each: (
            not quick(each),
            not safe(each),
            not whole(each),
            each.width_mm if quick(each) else -each.rate,
            each.train.driver + each.train.driven,
            -each.rate,
        )
    )
    left, said = designs, []
    for holds, meaning in (
        (quick, f"reach {wanted.rate:g} parts/s" if wanted.rate is not None
         else f"come within {100 * (1 - NEAR):.0f} % of the fastest, {fastest:.2f} parts/s"),
        (safe, "rest with a margin"),
        (whole, "have whole steps to a pocket"),
    ):  # fmt: skip
        kept = [each for each in left if holds(each)]
        if kept:
            said.append(f"{len(kept)} of {len(left)} designs {meaning}")
            left = kept
    said.append(f"of these it has the smallest housing, {found.best.width_mm:.1f} mm")
    found.reasons = said


def _nothing(found: Found) -> str:
    """Say why no design is left, and what would help."""
    wanted = found.wanted
    first, last = wanted.pockets
    smallest = Wheel(wanted.part, first, _step_up(least_radius_mm(wanted.part, first)))
    span = f"{first} pockets" if first == last else f"{first} to {last} pockets"
    if found.unfit:
        reason, times = found.unfit.most_common(1)[0]
        return f"none of the designs with {span} works ({times} x: {reason}): {_hint(found)}"
    if wanted.width_mm is not None:
        return (
            f"--width {wanted.width_mm:g} mm is too narrow for {span} of {wanted.part.designation}:"
            f" {first} need {smallest.housing_mm:.1f} mm; give more, or fewer --pockets"
        )
    return (
        f"--pitch-radius {wanted.pitch_radius_mm:g} mm is too small for {span} of"
        f" {wanted.part.designation}: {first} need {smallest.pitch_radius_mm:g} mm; give more, or"
        " fewer --pockets"
    )


def _hint(found: Found) -> str:
    """What to ask for instead of what no design can do."""
    if found.wanted.rate is not None and found.at_most:
        return f"ask for a --rate of {math.floor(10 * found.at_most) / 10:g} or less"
    if found.wanted.rate is not None and found.at_least < math.inf:
        return (
            f"ask for a --rate of {math.ceil(10 * found.at_least) / 10:g} or more, and have single"
            " runs go slower over the line (SPRocket:RATE)"
        )
    return "change the part, the motor or the width"


def _step_up(radius_mm: float) -> float:
    return -(-radius_mm // RADIUS_STEP_MM) * RADIUS_STEP_MM


def _step_down(radius_mm: float) -> float:
    return radius_mm // RADIUS_STEP_MM * RADIUS_STEP_MM
