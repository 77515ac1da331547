"""What `bringup spread` adds on request: whether groups differ (`--by`), and what moves with the rail (`--with`)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from bringup.commands.tables import format_table
from bringup.core.correlation import Correlation, correlation
from bringup.core.distributions import INSTALL
from bringup.core.quantity import format_quantity
from bringup.core.spread import summary
from bringup.core.taken import Point, Taken
from bringup.core.variance import Analysis, one_way
from bringup.core.wording import folded
from bringup.errors import NoStatistic

RARE = 0.05
CONFIDENCE = 0.95


class Groups:
    """One value of each unit by groups, and the analysis of variance between them."""

    def __init__(self, way: str, groups: Mapping[str, Sequence[Taken]]) -> None:
        self.way, self.groups = way, groups
        self.analysis: Analysis | None = None
        self.why_not = ""
        try:
            self.analysis = one_way({name: [each.value for each in of] for name, of in groups.items()})
        except NoStatistic as error:
            self.why_not = error.message

    def lines(self, width: int | None) -> list[str]:
        """Return the table and what it says."""
        headings = (self.way, "units", "mean", "sd", "lowest", "highest", "out")
        rows = []
        for name, taken in self.groups.items():
            of, unit = summary([each.value for each in taken]), taken[0].unit
            deviation = "" if of.deviation is None else _text(of.deviation, unit, 3)
            ends = (_text(of.lowest, unit), _text(of.highest, unit))
            missed = str(sum(each.failed for each in taken) or "")
            rows.append((name, str(of.n), _text(of.mean, unit), deviation, *ends, missed))
        table = format_table(headings, rows, right=headings[1:], width=width)
        return [f"By {self.way}:", *table, *(folded(line, width) for line in self._said())]

    def _said(self) -> list[str]:
        of = self.analysis
        if of is None:
            return [f"No analysis of variance: {self.why_not}."]
        share = f"{100 * of.explained:.1f} % of the variance lies between them"
        ratio = f"F({of.between_freedom}, {of.within_freedom}) = {of.ratio:.4g}"
        if of.chance is None:
            return [f"Analysis of variance: {ratio}, {share}. How often chance does as much needs scipy ({INSTALL})."]
        chance = "under 0.01 %" if of.chance < 1e-4 else f"{100 * of.chance:.2g} %"  # noqa: PLR2004
        verdict = "the groups differ" if of.chance < RARE else "no more than chance does"
        return [f"Analysis of variance: {ratio}, by chance alone {chance}: {verdict}; {share}."]

    def as_json(self) -> dict[str, Any]:
        """Return the groups and the table."""
        return {
            "by": self.way,
            "groups": {name: [each.serial for each in of] for name, of in self.groups.items()},
            "analysis": None if self.analysis is None else asdict(self.analysis),
            "missing": self.why_not or None,
        }


class Together:
    """The rail's values beside those of other points, unit by unit; several make each interval wider (Bonferroni)."""

    def __init__(self, of: Sequence[Taken], others: Mapping[Point, Sequence[Taken]]) -> None:
        own = {each.serial: each.value for each in of}
        self.confidence = 1 - (1 - CONFIDENCE) / max(1, len(others))
        self.found: list[tuple[Point, Correlation | None, str]] = []
        for point, taken in others.items():
            pairs = [(own[each.serial], each.value) for each in taken if each.serial in own]
            try:
                found = correlation([one for one, _ in pairs], [other for _, other in pairs], self.confidence)
            except NoStatistic as error:
                self.found.append((point, None, error.message))
            else:
                self.found.append((point, found, ""))
        self.found.sort(key=lambda each: -abs(each[1].r) if each[1] is not None else 1.0)

    def lines(self, width: int | None) -> list[str]:
        """Return the table, what moves most with the rail first."""
        if not self.found:
            return ["Together with it: no other point was read on these units."]
        rows = []
        for point, of, why in self.found:
            if of is None:
                rows.append((str(point), "", "", "", why))
            else:
                said = "moves with it" if of.r > 0 else "moves against it"
                ends = f"{of.low:+.3f} to {of.high:+.3f}"
                rows.append((str(point), str(of.n), f"{of.r:+.3f}", ends, said if of.surely else ""))
        headings = ("together with", "units", "r", "interval", "remarks")
        lines = format_table(headings, rows, right=("units", "r"), width=width)
        text = f"Pearson's r over units; intervals of {100 * self.confidence:.4g} % (Fisher)"
        if len(self.found) > 1:
            text += f", so that all {len(self.found)} hold together at 95 %"
        return [*lines, folded(f"{text}. Moving together is no cause: mind the meter and the lot.", width)]

    def as_json(self) -> list[dict[str, Any]]:
        """Return every pair."""
        return [
            {
                "rail": point.rail,
                "quantity": point.kind.value,
                "aspect": point.aspect,
                "step_kind": point.step,
                "board_state": point.board_state,
                "correlation": None if of is None else asdict(of),
                "missing": why or None,
            }
            for point, of, why in self.found
        ]


def _text(value: float, unit: str, digits: int = 6) -> str:
    return format_quantity(float(f"{value:.{digits}g}"), unit)
