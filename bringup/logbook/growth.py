"""Which entries of the chain the tool itself makes: most rows are written once, an attempt and its steps until it ends.

An entry that fits its row and the links says only that somebody wrote both. One for a row that was there before, or
for an attempt that had ended, was not written by the tool.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field

from bringup.logbook.chain import SHARED
from bringup.logbook.comparing import Expected, Finding
from bringup.logbook.database import Database

AGAIN = {"attempts": 1, "steps": 3}
"""How often the tool changes a row at most: an attempt is closed; a step is carried over, begins, ends."""

WHILE_IT_GOES_ON = ("steps", "instruments", "attempt_sources", "readings", "samples", "polls", "line_texts")
"""Tables of which an attempt that was closed gets no rows any more."""

SEVERAL = ("units", *SHARED)
"""Tables of which several logbooks may have the same row."""

# What came in from a rescue file, and what somebody else closed while its process maybe went on, may change once more.
_EXCUSED = (
    "SELECT a.seq, e.kind = 'rescued', count(*) FROM events e JOIN attempts a ON a.id = e.attempt"
    " WHERE e.kind IN ('rescued', 'left open', 'guardian') GROUP BY 1, 2"
)


@dataclass(slots=True)
class Growth:
    """Judges each entry by those before it of the same logbook, in order."""

    ids: dict[int, str]
    """Number of an attempt -> its id."""
    rescued: Counter[int] = field(default_factory=Counter)
    """Number of an attempt -> how often something of it came in late."""
    by_others: Counter[int] = field(default_factory=Counter)
    """Number of an attempt -> how often somebody else said that it had ended."""
    findings: list[Finding] = field(default_factory=list)
    _had: set[tuple[str, str]] = field(default_factory=set)
    _begun: bool = False
    """Rows from before the hashes are the first ones, without exception."""
    _closed: dict[int, int] = field(default_factory=dict)
    _times: Counter[tuple[str, str]] = field(default_factory=Counter)
    _unit: Finding | None = None
    """A unit that was written again, as the tool does only right before a new attempt on it."""

    def excuse(self, connection: Database) -> None:
        """Look up the attempts whose rows may have changed after their end."""
        for number, late, count in connection.execute(_EXCUSED):
            (self.rescued if late else self.by_others)[number] += count

    def judge(
        self, entry: tuple[int, int | None, str, str | None], expected: Expected, *, old: bool, asked_at: int | None
    ) -> None:
        """Judge an entry (place, attempt's number, table, key) before it is added to what its table must hold."""
        place, number, table, key = entry
        again = key is not None and key in expected.keyed
        if table in SEVERAL:
            # Several logbooks have the same: it is there again only if this one had it.
            again = (table, key or "") in self._had
            self._had.add((table, key or ""))
        attempt = self.ids.get(number) if number is not None else None
        if self._unit is not None and (table != "attempts" or again):
            self.findings.append(self._unit)
        self._unit = None
        if again and table == "units":
            self._unit = Finding("altered", table, f"{key}, without a new attempt", attempt, place)
        elif again:
            if not self._may_change(table, key or "", number, asked_at):
                self.findings.append(Finding("altered", table, f"{key}, written again", attempt, place))
        elif old and self._begun:
            row = f"{key or 'a row'}, written as if it were from before the hashes"
            self.findings.append(Finding("inserted", table, row, attempt, place))
        elif not old and number in self._closed and table in WHILE_IT_GOES_ON and not self._excused(number):
            row = f"{key or 'a row'}, written after the attempt had ended"
            self.findings.append(Finding("inserted", table, row, attempt, place))
        self._begun = self._begun or not old
        if table == "attempts" and number is not None and (again or old):
            self._closed.setdefault(number, place)

    def end(self) -> list[Finding]:
        """Return what was found, with the chain at its end."""
        return self.findings if self._unit is None else [*self.findings, self._unit]

    def _may_change(self, table: str, key: str, number: int | None, asked_at: int | None) -> bool:
        if table not in AGAIN or number is None:
            return False
        if _owner(table, key) != self.ids.get(number):
            return False
        self._times[table, key] += 1
        closed = self._closed.get(number)
        if closed is not None and not self._excused(number):
            return False
        if closed is not None and asked_at is not None and closed <= asked_at and not self.rescued[number]:
            return False
        return self._times[table, key] <= AGAIN[table] + self.rescued[number] + self.by_others[number]

    def _excused(self, number: int | None) -> bool:
        return number is not None and bool(self.rescued[number] or self.by_others[number])


def _owner(table: str, key: str) -> str | None:
    """Return the attempt in the key of an attempt or a step; None in one that the tool never wrote."""
    if table == "attempts":
        return key
    try:
        parts = json.loads(key)
    except ValueError:
        return None
    return parts[0] if isinstance(parts, list) and parts else None
