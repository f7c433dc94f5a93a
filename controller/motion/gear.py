"""The gear train: from pockets of the sprocket to microsteps of the motor, and back.

Theory of operation
-------------------
Steps per pocket is rarely a whole number: 200 full steps x 16 microsteps x 51/17 over 7 pockets
is 9600/7.  The ratio is therefore kept as a reduced fraction, and every position is worked out from
the pocket number alone, in integers, and rounded once.  Nothing is ever added up, so the position
after a thousand million pockets is as good as after the first.

Pocket numbers count released pockets since registration, forward positive:

    dwell 0 ........ release 1 ........ dwell 1 ........ release 2 ........ dwell 2
    0                1/2                1                3/2                2        pockets

Position 0 is dwell 0.  All positions are motor microsteps ("steps").
"""

from controller.motion.intmath import gcd, round_half_away

PPM = 1_000_000
MDEG_PER_TURN = 360_000


class PocketRatio:
    """Steps per pocket as the exact fraction `num / den`, in lowest terms.

    `stages` is a sequence of (driver teeth, driven teeth) from the motor on; it may be empty for a
    sprocket on the motor shaft.  Raises ValueError if any number is not a positive integer.
    """

    def __init__(self, full_steps: int, microsteps: int, stages, pockets: int):
        num = _positive("full steps per turn", full_steps) * _positive("microsteps", microsteps)
        den = _positive("pockets", pockets)
        for driver, driven in stages:
            num *= _positive("driven teeth", driven)
            den *= _positive("driver teeth", driver)
        common = gcd(num, den)
        self.num = num // common
        self.den = den // common
        self.pockets = pockets

    def target(self, pocket: int) -> int:
        """Return the position of dwell `pocket` (any integer), rounded half away from zero."""
        return round_half_away(pocket * self.num, self.den)

    def release(self, pocket: int) -> int:
        """Return the position of the release edge of `pocket`: midway between its two dwells."""
        return round_half_away((2 * pocket - 1) * self.num, 2 * self.den)

    def pocket_at(self, position: int) -> int:
        """Return the number of the last pocket whose release edge is at or behind `position`."""
        pocket = (2 * position * self.den + self.num) // (2 * self.num)
        # The edges are rounded to steps and this estimate is not: it may be one off at an edge.
        while self.release(pocket) > position:
            pocket -= 1
        while self.release(pocket + 1) <= position:
            pocket += 1
        return pocket

    def of_ppm(self, ppm: int) -> int:
        """Return the steps in `ppm` millionths of a pocket, rounded half away from zero."""
        return round_half_away(ppm * self.num, PPM * self.den)

    def of_mdeg(self, mdeg: int) -> int:
        """Return the steps in `mdeg` thousandths of a degree of the sprocket, rounded likewise."""
        return round_half_away(mdeg * self.pockets * self.num, MDEG_PER_TURN * self.den)


def _positive(what, value):
    if value < 1:
        raise ValueError(f"{what} must be at least 1, not {value}")
    return value
