"""What came on the serial lines of an attempt, read back: pieces as they came, and lines as people read them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime

from bringup.core.frozen import frozen
from bringup.logbook.database import Database
from bringup.logbook.values import time_from, time_text

LINE_TEXTS = """
SELECT t.step, t.line, t.at, t.content
  FROM line_texts t
 WHERE t.attempt = :attempt
 ORDER BY t.line, t.monotonic, t.seq
"""
_ENDS = re.compile("[\r\n]+")


@frozen
class LoggedText:
    """One line of what came. `at`: when its first piece did."""

    step: int | None
    """As people count steps."""
    line: str
    at: datetime
    text: str

    def as_json(self) -> dict[str, object]:
        """Return it for JSON."""
        return {"step": self.step, "line": self.line, "at": time_text(self.at), "text": self.text}


def line_texts(connection: Database, attempt: str) -> list[LoggedText]:
    """Return the lines that came in an attempt, in the order in which they began, as the logbook writes them out."""
    return sorted(_lines(connection, attempt), key=lambda each: each.at)


def _lines(connection: Database, attempt: str) -> Iterator[LoggedText]:
    begun: LoggedText | None = None
    for step, line, at, content in connection.execute(LINE_TEXTS, {"attempt": attempt}):
        if begun is not None and begun.line != line:
            yield begun
            begun = None
        for place, part in enumerate(_ENDS.split(content)):
            if place and begun is not None:
                yield begun
                begun = None
            if part:
                new = LoggedText(step, line, time_from(at), part)
                begun = new if begun is None else LoggedText(begun.step, line, begun.at, begun.text + part)
    if begun is not None:
        yield begun
