"""Mean, variance and sums of squares, exact for the values given: integers until the last division.

Every float and every decimal is a whole number over a whole number. Reckoned with those, nothing is lost by
subtraction, however far from zero readings lie and however nearly alike they are: what is left over is how far the
values themselves were rounded before they came here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from bringup.errors import NoStatistic

Number = float | Decimal | Fraction


def whole_numbers(values: Sequence[Number]) -> tuple[list[int], int]:
    """Return whole numbers and the one that divides them all. Raises NoStatistic for NaN, infinities, text."""
    pairs = []
    for value in values:
        try:
            pairs.append(value.as_integer_ratio())
        except (ValueError, OverflowError, AttributeError) as error:
            raise NoStatistic(
                f"'{value}' is not a number that can be reckoned with", "Leave it out: no value is no value."
            ) from error
    below = math.lcm(*(under for _, under in pairs))
    return [over * (below // under) for over, under in pairs], below


def mean_of(values: Sequence[Number]) -> Fraction:
    """Return the exact mean. Raises NoStatistic for no values or one that is no number."""
    enough(values, 1, "a mean")
    numbers, below = whole_numbers(values)
    return Fraction(sum(numbers), below * len(numbers))


def squares_of(values: Sequence[Number]) -> Fraction:
    """Return the exact sum of squared deviations from the mean. Raises NoStatistic as `mean_of`."""
    enough(values, 1, "a sum of squares")
    numbers, below = whole_numbers(values)
    count, total = len(numbers), sum(numbers)
    # sum (x - m)^2 = (n sum x^2 - (sum x)^2) / n: cancelling costs nothing between whole numbers.
    return Fraction(count * sum(number * number for number in numbers) - total * total, count * below * below)


def deviation_of(values: Sequence[Number]) -> float:
    """Return the standard deviation with n - 1, rounded once. Raises NoStatistic below two values."""
    enough(values, 2, "a standard deviation")
    return root(squares_of(values) / (len(values) - 1))


def root(of: Fraction) -> float:
    """Return the square root of an exact number, also of one that a float cannot hold."""
    # 128 more bits than the quotient has: the whole root is then exact to some 64 bits.
    bits = max(0, 128 - of.numerator.bit_length() + of.denominator.bit_length())
    bits += bits % 2
    return float(Fraction(math.isqrt((of.numerator << bits) // of.denominator), 1 << (bits // 2)))


def enough(values: Sequence[object], least: int, what: str) -> None:
    """Raise NoStatistic, in words, where there are fewer values than a statistic takes."""
    if len(values) < least:
        there = f"there {'is' if len(values) == 1 else 'are'} {len(values) or 'none'}"
        raise NoStatistic(f"{what} takes {least} value{'' if least == 1 else 's'}, {there}", "Read more units.")
