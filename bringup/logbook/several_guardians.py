"""What several guardians have said of one attempt, each of its own supply, taken together.

Until every one of them has said that its outputs are off, off is not verified: the record errs on the side that has
somebody look at the bench.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping

from bringup.core.frozen import frozen
from bringup.logbook.chain import Chain
from bringup.logbook.values import flag, storable

SAID = "SELECT data FROM events WHERE attempt = ? AND kind = 'guardian' AND data IS NOT NULL ORDER BY rowid"
KEPT = "SELECT off_verified FROM attempts WHERE id = ?"
SAID_SINCE = "UPDATE attempts SET off_verified = ?, cause = cause || ? WHERE id = ?"


@frozen
class OneOf:
    """One of several guardians: which supply it knows of, and how many supplies are guarded."""

    name: str
    count: int

    def together(self, connection: sqlite3.Connection, attempt: str, off: bool | None) -> bool | None:
        """Return whether off is verified, now that this one has said so (or not); None: nothing had been on."""
        if off is None:
            return None
        said = {each["supply"]: each["off"] == "yes" for each in _said(connection, attempt)} | {self.name: off}
        return len(said) == self.count and all(said.values())

    def words(self, off: bool | None, *, closed: bool) -> Mapping[str, str]:
        """Return what is kept of what this one says. `closed`: it was the one that closed the attempt."""
        return {"supply": self.name, "off": "yes" if off else "no", "closed": "yes" if closed else "no"}

    def correct(self, connection: sqlite3.Connection, attempt: str, off: bool | None, cause: str) -> None:
        """Put right what the guardian that closed the attempt could not know yet. What the tool closed stays."""
        if off is None or not any(each["closed"] == "yes" for each in _said(connection, attempt)):
            return
        ((kept,),) = connection.execute(KEPT, (attempt,)).fetchall()
        if bool(kept) != off:
            Chain(connection).write([(SAID_SINCE, (flag(off), storable(f"; {cause}"), attempt))], attempt)


def _said(connection: sqlite3.Connection, attempt: str) -> list[dict[str, str]]:
    return [json.loads(data) for (data,) in connection.execute(SAID, (attempt,))]
