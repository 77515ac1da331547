"""The yield of every lot, by procedure: how many of its units passed at the first attempt that was decided."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from bringup.core.frozen import frozen
from bringup.core.words import AttemptResult
from bringup.core.yields import FirstYield, wilson, yield_of
from bringup.logbook.database import Database
from bringup.logbook.filters import AS_DONE, Filters, where
from bringup.logbook.known_names import check_names

_ATTEMPTS = """
SELECT a.board, a.lot, a.procedure, a.simulated, a.serial, a.result FROM attempts a WHERE {where} ORDER BY {order}
"""

_RESULTS: dict[str | None, AttemptResult | None] = {None: None, **{each.value: each for each in AttemptResult}}


@frozen
class LotYield:
    """Of the units of a lot (`lot` '': of those of none) with one procedure; real and simulated ones never together."""

    board: str
    lot: str
    procedure: str
    simulated: bool
    found: FirstYield

    @property
    def interval(self) -> tuple[float, float] | None:
        """The Wilson interval of 95 % of the first-attempt yield, 0 .. 1; None where no unit was decided."""
        return wilson(self.found.passed_first, self.found.judged) if self.found.judged else None

    def as_json(self) -> dict[str, Any]:
        """Return the counts, and the interval of 95 % as parts of one."""
        ends = self.interval
        return {
            "procedure": self.procedure,
            "passed_first": self.found.passed_first,
            "judged": self.found.judged,
            "passed_by_now": self.found.passed_last,
            "undecided": self.found.undecided,
            "low": None if ends is None else ends[0],
            "high": None if ends is None else ends[1],
        }


def lot_yields(connection: Database, filters: Filters) -> list[LotYield]:
    """Return the yields of all lots with attempts that match, in the order of their first attempts.

    Of the filters those count that name a lot, its board, its procedure or a time; a yield of one unit is none.
    Raises CommandError for a name that nothing bears.
    """
    asked = replace(Filters(), **{name: getattr(filters, name) for name in _OF_LOT})
    condition, values = where(check_names(connection, asked))
    groups: dict[tuple[str, str, str, bool], list[tuple[str, AttemptResult | None]]] = {}
    statement = _ATTEMPTS.format(where=condition, order=", ".join(AS_DONE))
    for board, lot, procedure, simulated, serial, result in connection.execute(statement, values):
        found = groups.setdefault((board, lot, procedure, bool(simulated)), [])
        found.append((serial, _RESULTS[result]))
    return [LotYield(*names, yield_of(found)) for names, found in groups.items()]


_OF_LOT = ("board", "revision", "variant", "lot", "procedure", "simulated", "since", "until")
