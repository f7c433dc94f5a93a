"""Exact integer arithmetic that one of the two interpreters lacks or that the trade needs rounded.

MicroPython has neither `math.isqrt`, `math.gcd` nor `int.bit_length`.  Everything here is exact for
integers of any size; nothing here knows about motors.
"""


def ceil_div(number: int, divisor: int) -> int:
    """Return `number / divisor` rounded towards plus infinity; `divisor` > 0."""
    return -(-number // divisor)


def round_half_away(number: int, divisor: int) -> int:
    """Return `number / divisor` rounded to nearest, halves away from zero; `divisor` > 0."""
    if number < 0:
        return -round_half_away(-number, divisor)
    return (2 * number + divisor) // (2 * divisor)


def gcd(a: int, b: int) -> int:
    """Return the greatest common divisor of two integers that are not negative."""
    while b:
        a, b = b, a % b
    return a


def root(number: int, degree: int) -> int:
    """Return the integer root of `number` >= 0, rounded down; `degree` is 2, 3 ..."""
    if number < 2:
        return number
    guess = 2
    while guess**degree <= number:
        guess *= 2
    # From above, Newton's method falls to the root and turns up just when it has got there.
    while True:
        lower = ((degree - 1) * guess + number // guess ** (degree - 1)) // degree
        if lower >= guess:
            return guess
        guess = lower


def ceil_root(number: int, degree: int) -> int:
    """Return the smallest integer whose power `degree` is at least `number` >= 0."""
    floor = root(number, degree)
    return floor if floor**degree == number else floor + 1
