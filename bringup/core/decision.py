"""Decision rules: what a reading's uncertainty means for its result, and how probable it is that it lies within. Pure.

Simple acceptance takes the value as it is. A guard band of w = r U narrows the limits by it (JCGM 106:2012, 8.3.2). The
non-binary rule of ILAC-G8:09/2019 (4.2.3) has four results; where two of its intervals share an end, the milder one is
given. Compared in decimal, so that an end is an end.
"""

from __future__ import annotations

import math
from decimal import Decimal
from enum import StrEnum

from bringup.core.frozen import frozen
from bringup.core.limits import Limits, judge
from bringup.core.student import t_below
from bringup.core.words import LimitsFrom, Result


class RuleKind(StrEnum):
    """The rules."""

    SIMPLE = "simple acceptance"
    GUARD_BAND = "guard band"
    NON_BINARY = "non-binary"


@frozen
class DecisionRule:
    """A rule, with the r of its guard band w = r U."""

    kind: RuleKind = RuleKind.SIMPLE
    r: Decimal = Decimal(1)

    def __str__(self) -> str:
        return self.kind.value if self.kind is RuleKind.SIMPLE else f"{self.kind}, w = {self.r.normalize():f} U"

    @property
    def simple(self) -> bool:
        """Whether no uncertainty is asked for."""
        return self.kind is RuleKind.SIMPLE


SIMPLE = DecisionRule()

NEEDS = "the decision rule needs its uncertainty"
"""Why a reading is not judged."""

JUDGING = (LimitsFrom.PROCEDURE, LimitsFrom.BOARD, LimitsFrom.COMPUTED)
"""Limits that a rule is meant for. What the tool itself looks for, and what sisters read, is accepted simply."""


def decide(value: float | None, limits: Limits | None, uncertainty: float | None, rule: DecisionRule) -> Result:
    """Return the result of a value by the rule; `uncertainty` is the expanded one, in the unit of both.

    Without limits, without a value or by simple acceptance it counts for nothing. Not known where the rule asks for it:
    `not judged`.
    """
    if rule.simple or limits is None or value is None or not math.isfinite(value):
        return judge(value, limits)
    if uncertainty is None or not math.isfinite(uncertainty):
        return Result.NOT_JUDGED
    exact, width = Decimal(repr(value)), rule.r * Decimal(repr(uncertainty))
    if rule.kind is RuleKind.GUARD_BAND:
        return Result.PASS if _within(exact, limits, -width) else Result.FAIL
    for widened, result in (
        (-width, Result.PASS),
        (Decimal(0), Result.CONDITIONAL_PASS),
        (width, Result.CONDITIONAL_FAIL),
    ):
        if _within(exact, limits, widened):
            return result
    return Result.FAIL


def _within(value: Decimal, limits: Limits, widened: Decimal) -> bool:
    """Whether a value lies within limits that are widened to either side by so much."""
    above = limits.low is None or limits.low - widened <= value
    below = limits.high is None or value <= limits.high + widened
    return above and below


def conformance(value: float, limits: Limits, standard: float, degrees: float = math.inf) -> float:
    """Return how probable it is that what was measured lies within its limits, 0 .. 1.

    F((high - y) / u) - F((low - y) / u), nothing known beforehand (JCGM 106:2012, 7.2 to 7.4). F is the normal
    distribution, or Student's t where the standard uncertainty has few effective degrees of freedom (JCGM 100:2008, G.3
    and G.4: what is left over it is distributed so, from memory): then more may lie beyond a limit.
    """
    if standard <= 0.0:
        return 1.0 if limits.accepts(value) else 0.0
    below_low = 0.0 if limits.low is None else t_below((float(limits.low) - value) / standard, degrees)
    below_high = 1.0 if limits.high is None else t_below((float(limits.high) - value) / standard, degrees)
    return min(1.0, max(0.0, below_high - below_low))


def room(limits: Limits, uncertainty: float, rule: DecisionRule) -> bool:
    """Whether anything can pass: a guard band on both sides may leave nothing between."""
    if rule.simple or limits.low is None or limits.high is None:
        return True
    return limits.high - limits.low >= 2 * rule.r * Decimal(repr(uncertainty))
