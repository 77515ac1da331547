"""What the page of the bench says of an attempt under way, and what it does not know."""

from __future__ import annotations

from datetime import datetime

from bringup.core.frozen import frozen
from bringup.core.wording import shown
from bringup.logbook.going import Going, Look
from bringup.logbook.rows import LoggedReading

FRESH = 5.0
"""Seconds: a look at the supply that is older says nothing of now. Looks come several times a second, written in
batches of half a second."""


@frozen
class AtBench:
    """One attempt, in words for large letters."""

    serial: str
    simulated: bool
    power: str
    power_class: str
    """How it is drawn beside what it says: 'live', 'unsure' or 'dead'."""
    figures: tuple[str, ...]
    step: str
    readings: tuple[LoggedReading, ...]
    heard: str
    bench: str


def at_bench(of: Going, now: datetime) -> AtBench:
    """Say what is known now."""
    attempt = of.attempt
    fresh = [look for look in of.looks if (now - look.at).total_seconds() <= FRESH]
    power, kind = _power(of, fresh, now)
    step = f"step {of.step} of {of.steps}: {of.title or of.kind}" if of.step else "between steps"
    return AtBench(
        attempt.serial,
        attempt.simulated,
        power,
        kind,
        tuple(_figures(look, several=len(fresh) > 1) for look in fresh) if of.on else (),
        step,
        of.readings,
        f"Last word {_ago(of.heard, now)}",
        attempt.bench,
    )


def _power(of: Going, fresh: list[Look], now: datetime) -> tuple[str, str]:
    """What is said of the power, and how it is drawn. Silence is never taken for OFF."""
    if of.on is None:
        return "NOT SWITCHED ON", "dead"
    if not of.on:
        return of.power, "dead"
    if fresh:
        return "INPUT ON", "live"
    last = max((look.at for look in of.looks), default=of.heard)
    return f"INPUT MAY BE ON: no look at the supply since {_ago(last, now)}", "unsure"


def _figures(look: Look, *, several: bool) -> str:
    texts = [] if not several else [f"{look.called}:"]
    texts += ["- V" if look.volts is None else f"{look.volts:.2f} V"]  # as steady as it can be read from afar
    texts += ["- A" if look.amps is None else shown(look.amps, "A", 3)]
    return "  ".join(texts)


def _ago(at: datetime, now: datetime) -> str:
    """A moment with how long ago it was."""
    return f"{at.astimezone():%H:%M:%S} ({max(0.0, (now - at).total_seconds()):.0f} s ago)"
