"""What `preview` says of steps that follow a board under load: pace, marks, limits of statistics. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.procedure import Log, Pace
from bringup.core.wording import duration, limits_text, listed


def pace_of(log: Log) -> str:
    """Return how often it reads, in words."""
    if log.pace is Pace.OWN:
        return "as fast as the instruments answer"
    why = " (by hand: `every` is left out)" if log.pace is Pace.BY_HAND else ""
    return f"every {duration(log.every.number)}{why}"


def log_details(log: Log) -> Iterator[str]:
    """Say which statistics are judged by limits of their own, and what is marked when."""
    for statistic, by_channel in log.judging.items():
        for name, limits in by_channel.items():
            yield f"{statistic}{f' of {name}' if name else ''}: {limits_text(limits)}"
    if log.marks:
        yield f"marks: {listed(f'{text} at {after}' for text, after in log.marks)}"
