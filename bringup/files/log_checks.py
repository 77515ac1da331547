"""What must fit together in a `log` step: what it follows, limits of statistics, marks, the time between samples."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from bringup.core.beside_log import Temperature
from bringup.core.procedure import Channel
from bringup.core.quantity import Quantity
from bringup.core.statistics_of_log import DEVIATION, FIELDS, PEAK_TO_PEAK
from bringup.core.wording import duration
from bringup.core.words import Kind
from bringup.files.nodes import Problems
from bringup.files.sections import Values
from bringup.files.shapes import Entry
from bringup.files.wording import nearest

FOLLOWED = (Kind.VOLTAGE, Kind.CURRENT, Kind.POWER)
"""What `log` can follow: volts anywhere, volts, amperes and watts as the supply or the load reports them."""

BY_LOAD = " load"
"""Between a point and what the load reads there: '3V3 load current'."""

LEAST_EVERY = 1e-4
"""Seconds between two samples that no instrument on a bench keeps up with (common practice, no source)."""

NEVER_NEGATIVE = (DEVIATION, PEAK_TO_PEAK)


def channel_of(text: str, known: Collection[str] = ()) -> Channel:
    """Read what `log` follows: '3V3', '3V3 voltage', 'VIN current', 'VIN power', '3V3 load current'.

    `known`: the board's points; one whose name ends with 'load' is that point.
    """
    point, _, word = text.rpartition(" ")
    point = point.strip()
    kind = next((one for one in FOLLOWED if one == word), None)
    if kind is None or not point or text in known:
        return Channel(text, Kind.VOLTAGE, text)
    at_load = point.removesuffix(BY_LOAD).strip()
    if point.endswith(BY_LOAD) and at_load and point not in known:
        return Channel(at_load, kind, text, by_load=True)
    return Channel(point, kind, text)


def as_meant(text: str, known: Collection[str]) -> Channel:
    """Read it as `channel_of` does; where that names nothing, with its last words in whatever capitals."""
    channel = channel_of(text, known)
    if not known or channel.point in known:
        return channel
    point, _, word = text.rpartition(" ")
    before, _, load = point.rpartition(" ")
    if before and load.casefold() == BY_LOAD.strip():
        point = f"{before}{BY_LOAD}"
    return replace(channel_of(f"{point} {word.casefold()}", known), text=text)


def check_channel(entry: Entry, known: Sequence[str], inputs: Sequence[str], problems: Problems) -> str | None:
    """Report a channel that nobody can follow. Returns the point to be looked up, None where enough was said."""
    channel = as_meant(entry.value, known)
    if channel != channel_of(entry.value, known) and channel.kind is not Kind.VOLTAGE:
        points = known if channel.by_load else inputs
        candidates = [f"{one}{BY_LOAD if channel.by_load else ''} {channel.kind}" for one in points]
        problems.add(entry.node, f"nothing is called '{entry.value}'", nearest(entry.value, candidates))
        return None
    reported = channel.kind is not Kind.VOLTAGE and not channel.by_load
    if reported and channel.point not in inputs and channel.point in known:
        message = f"the {channel.kind} of {channel.point} cannot be followed: the supply knows inputs only"
        suggestion = nearest(channel.text, [f"{one} {channel.kind}" for one in inputs])
        problems.add(entry.node, message, suggestion)
        return None
    return channel.point


def check_log(body: Values, problems: Problems) -> None:
    """Report what does not fit together, names of points and units apart."""
    every, whole = body.get("every"), body.get("for")
    if isinstance(every, Quantity) and 0 < every.number < LEAST_EVERY:
        message = f"a sample every {every}: no instrument keeps that"
        problems.add(body.at("every"), message, "state 100 µs or more, mostly 200 ms")
    for entry in body.many("marks"):
        if whole is not None and entry.value.value > whole.value:
            problems.add(entry.node, f"a mark {entry.value} after the start of a step of {whole}", "log for longer")
    _check_temperatures(body, problems)
    for name, statistic in FIELDS.items():
        stated = body.entries.get(name)
        if stated is None or statistic not in NEVER_NEGATIVE:
            continue
        for each in stated.value.values() if isinstance(stated.value, dict) else [stated]:
            if each.value.high is not None and each.value.high < 0:
                problems.add(each.node, f"a {statistic} is never below zero", "state its upper limit, such as < 5 mV")


def temperatures_of(body: Values) -> tuple[str, ...]:
    """Return the names by which the limits of temperatures are stated."""
    return tuple(Temperature(entry.key.text).text for entry in body.many("temperatures") if entry.key is not None)


def _check_temperatures(body: Values, problems: Problems) -> None:
    between, whole = body.get("temperatures_every"), body.get("for")
    if between is None:
        return
    if "temperatures" not in body:
        problems.add(
            body.at("temperatures_every"), "`temperatures_every` without `temperatures`", "name the spots there"
        )
    elif whole is not None and between.value > whole.value:
        problems.add(
            body.at("temperatures_every"),
            f"temperatures every {duration(between.number)} in a step of {duration(whole.number)}",
            "log for longer",
        )
