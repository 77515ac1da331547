"""One-way analysis of variance: whether groups (lots, revisions, benches) differ by more than the units in them do.

Sums of squares are exact for the values given. What is assumed: units are independent, and groups are normal with one
standard deviation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction

from bringup.core.distributions import f_tail, special
from bringup.core.frozen import frozen
from bringup.core.moments import Number, mean_of, root, squares_of
from bringup.errors import NoStatistic


@frozen
class Analysis:
    """The table of an analysis of variance, squares in the unit of the values squared."""

    groups: tuple[tuple[str, int, float], ...]
    """Name, number of values and mean of each."""
    between_freedom: int
    between_squares: float
    within_freedom: int
    within_squares: float
    ratio: float
    """F: mean square between over mean square within."""
    explained: float
    """R-squared: which share of all squares lies between groups, 0 .. 1."""
    residual: float
    """Standard deviation within groups."""
    chance: float | None
    """How often chance alone makes an F as large, 0 .. 1; None without scipy."""

    @property
    def between_mean_square(self) -> float:
        """Squares between groups over their freedom."""
        return self.between_squares / self.between_freedom

    @property
    def within_mean_square(self) -> float:
        """Squares within groups over their freedom."""
        return self.within_squares / self.within_freedom


def one_way(groups: Mapping[str, Sequence[Number]]) -> Analysis:
    """Return the analysis. Raises NoStatistic for fewer than two groups, no group of two, no spread within any."""
    filled = {name: values for name, values in groups.items() if values}
    if len(filled) < 2:  # noqa: PLR2004 - two sides
        names = ", ".join(filled) or "none"
        raise NoStatistic(
            f"an analysis of variance takes 2 groups, there is {names}", "Read units of another lot, revision or bench."
        )
    counts = {name: len(values) for name, values in filled.items()}
    freedom = sum(counts.values()) - len(filled)
    if not freedom:
        raise NoStatistic(
            f"an analysis of variance takes a group of 2 values; these {len(filled)} have one each", "Read more units."
        )
    everything = [value for values in filled.values() for value in values]
    total = squares_of(everything)
    within = sum((squares_of(values) for values in filled.values()), start=Fraction(0))
    if not within:
        raise NoStatistic(
            "an analysis of variance divides by the spread within groups, and in each all values are the same",
            "Read with more digits, or more units.",
        )
    between = total - within
    ratio = float(between / (len(filled) - 1) / (within / freedom))
    return Analysis(
        groups=tuple((name, counts[name], float(mean_of(values))) for name, values in filled.items()),
        between_freedom=len(filled) - 1,
        between_squares=float(between),
        within_freedom=freedom,
        within_squares=float(within),
        ratio=ratio,
        explained=float(between / total),
        residual=root(within / freedom),
        chance=None if special() is None else f_tail(ratio, len(filled) - 1, freedom),
    )
