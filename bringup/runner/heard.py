"""Replies that concern one output of a supply, or one channel of a load, read by the dialect: what both share."""

from __future__ import annotations

from collections.abc import Mapping

from bringup.core.dialect import Dialect
from bringup.core.replies import Value
from bringup.core.understanding import understand_number, understand_switch
from bringup.runner.records import Reply


class HeardOfOne:
    """Replies by operation. `which`: the output or channel that they are about."""

    def __init__(self, dialect: Dialect, which: int, replies: Mapping[str, Reply]) -> None:
        self._dialect = dialect
        self.which = which
        self.replies = replies

    def number(self, operation: str) -> Value:
        """Read a number; no value where it was not asked."""
        if operation not in self.replies:
            return Value(None, "", why="the dialect cannot ask it")
        return understand_number(self._dialect, operation, self.replies[operation].line)

    def state(self, operation: str) -> bool | None:
        """Read on or off; None where it was not asked or is neither."""
        reply = self.replies.get(operation)
        return None if reply is None else understand_switch(self._dialect, operation, reply.line, self.which)
