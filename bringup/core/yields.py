"""The yield of a lot: how many units passed at their first attempt, and what that says of the next ones. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable

from bringup.core.frozen import frozen
from bringup.core.words import AttemptResult

Z_95 = 1.959963984540054
"""Of the standard normal distribution, what 95 % lie within either side of."""


def wilson(passed: int, judged: int, z: float = Z_95) -> tuple[float, float]:
    """Return the Wilson score interval (no continuity correction) of a share of `judged`, from 0 to 1.

    Formula: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212. Raises ValueError unless 0 <= passed <= judged, judged
    above 0.
    """
    if not 0 <= passed <= judged or judged == 0:
        raise ValueError(f"{passed} of {judged} is no share")
    share, square = passed / judged, z * z
    middle = share + square / (2 * judged)
    half = z * math.sqrt(share * (1 - share) / judged + square / (4 * judged * judged))
    whole = 1 + square / judged
    low = 0.0 if passed == 0 else (middle - half) / whole
    return low, 1.0 if passed == judged else (middle + half) / whole


@frozen
class FirstYield:
    """Units of a lot by what became of them: at the first attempt that was decided, and in the end."""

    passed_first: int
    judged: int
    """Units with an attempt that passed or failed."""
    passed_last: int
    """Units whose last decided attempt passed."""
    undecided: int
    """Units with none: incomplete, called off or broken off, still going."""

    def lines(self) -> list[str]:
        """Say it for people."""
        if not self.judged:
            return [f"no unit was decided yet; {_units(self.undecided)} with an attempt that was not"]
        low, high = wilson(self.passed_first, self.judged)
        share = 100 * self.passed_first / self.judged
        first = f"first-attempt yield {self.passed_first} of {self.judged} ({share:.0f} %)"
        told = [
            f"{first};",
            f"  the lot's own lies between {100 * low:.0f} % and {100 * high:.0f} % (95 %, Wilson)",
            *self._exact(),
            f"passed by now: {self.passed_last} of {self.judged}",
        ]
        if self.undecided:
            told.append(f"not decided, and not counted: {_units(self.undecided)} (incomplete, called off, broken off)")
        return told

    def _exact(self) -> list[str]:
        """The interval that never claims too much, where scipy is installed."""
        # Loaded at a lot's end only: what these bring is not for the start of a run.
        from bringup.core.distributions import special
        from bringup.core.intervals import clopper_pearson

        if special() is None:
            return []
        found = clopper_pearson(self.passed_first, self.judged)
        return [f"  or between {100 * found.low:.0f} % and {100 * found.high:.0f} % (95 %, Clopper-Pearson)"]


def yield_of(attempts: Iterable[tuple[str, AttemptResult | None]]) -> FirstYield:
    """Count units by their attempts, in the order in which they were done: serial number and result of each.

    An attempt counts that passed or failed: one that was called off or left incomplete says nothing of the unit.
    """
    first: dict[str, bool] = {}
    last: dict[str, bool] = {}
    seen: set[str] = set()
    for serial, result in attempts:
        seen.add(serial)
        if result in (AttemptResult.PASSED, AttemptResult.FAILED):
            passed = result is AttemptResult.PASSED
            first.setdefault(serial, passed)
            last[serial] = passed
    return FirstYield(sum(first.values()), len(first), sum(last.values()), len(seen) - len(first))


def _units(count: int) -> str:
    return f"{count} unit{'' if count == 1 else 's'}"
