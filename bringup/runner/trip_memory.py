"""Trips that asking has cleared: an event register says them once, some error queues acknowledge them when read.

What was heard is kept until the trip is cleared by our own word, so that no look after the first one takes a tripped
output for a sound one.
"""

from __future__ import annotations

from collections.abc import Mapping

from bringup.core.dialect import Dialect
from bringup.runner.records import Reply
from bringup.runner.roles import Protection, Trouble
from bringup.runner.supply_operations import TRIPPED
from bringup.runner.supply_replies import Heard


class TripMemory:
    """What one supply has said of trips that it will not say again."""

    def __init__(self) -> None:
        self._seen: dict[int, set[Protection]] = {}

    def note(self, dialect: Dialect, heard: Heard) -> list[Protection]:
        """Keep what these replies have cleared; return every trip of the output, those of earlier replies too."""
        now = heard.trips()
        kept = self._seen.setdefault(heard.which, set())
        kept.update(each for each in now if forgets(dialect, TRIPPED[each]))
        return [each for each in TRIPPED if each in now or each in kept]

    def forget(self, output: int | None) -> None:
        """Forget the trips of an output, None: of every one. They were cleared."""
        if output is None:
            self._seen.clear()
        else:
            self._seen.pop(output, None)


def forgets(dialect: Dialect, operation: str) -> bool:
    """Whether what answers the operation is cleared by asking it, or by asking for errors."""
    errors = [dialect.operations[name] for name in ("error", "other_error") if name in dialect.operations]
    return dialect.operations[operation].clears_when_read or any(one.clears_trips for one in errors)


def asked_first(dialect: Dialect, *, registers: bool = False) -> tuple[str, ...]:
    """Return the trip queries that have to come before a look for errors; `registers`: event registers as well."""
    named = [name for name in TRIPPED.values() if name in dialect.operations and forgets(dialect, name)]
    return tuple(name for name in named if registers or not dialect.operations[name].clears_when_read)


def cleared_by_attaching(heard: Heard) -> tuple[Trouble, ...]:
    """Return what attaching read and cleared, for the logbook: it belongs to somebody earlier."""
    by_query: dict[str, Reply] = {reply.message.text: reply for reply in heard.replies.values()}
    said = " and ".join(map(str, heard.trips()))
    return tuple(
        Trouble(text, f"asking has cleared what it said: {reply.line!r}" + (f" ({said} has tripped)" if said else ""))
        for text, reply in by_query.items()
        if reply.line is not None and reply.line.strip() != "0"
    )


def replies_by_output(dialect: Dialect, at: Mapping[tuple[str, int], int], replies: tuple[Reply, ...]) -> list[Heard]:
    """Return what was heard of each output."""
    outputs = dict.fromkeys(output for _, output in at)
    return [
        Heard(dialect, output, {name: replies[index] for (name, whose), index in at.items() if whose == output})
        for output in outputs
    ]
