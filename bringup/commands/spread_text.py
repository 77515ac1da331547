"""What `bringup spread` draws with letters: a histogram with the limits in it, and values in order of time."""

from __future__ import annotations

from collections.abc import Sequence

from bringup.commands.tables import time_column
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.core.spread import histogram
from bringup.core.taken import Taken

BAR = 40
TRACK = 25
LEAST_TRACK = 9
"""Columns of a track where there is less room."""
EACH = 20
"""Up to so many units stand for themselves in order of time; more are put together in as many groups."""


def histogram_lines(values: Sequence[float], unit: str, limits: Limits | None) -> list[str]:
    """Return a line for each bin, by its lower edge, lowest first, and one for each limit at its place among them."""
    bins = histogram(values)
    most = max(each.count for each in bins)
    step = bins[0].high - bins[0].low
    edges = [(each.low, 1, _edge(each.low, unit, step), each.count) for each in bins]
    if step:
        edges.append((bins[-1].high, 1, _edge(bins[-1].high, unit, step), 0))
    wide = max(len(text) for _, _, text, _ in edges)
    placed = [
        (low, order, f"  {text:>{wide}} | {'#' * max(bool(count), round(BAR * count / most))} {count or ''}".rstrip())
        for low, order, text, count in edges
    ]
    for end, words in ends_of(limits):
        away = max(bins[0].low - end, end - bins[-1].high, 0.0)
        far = f", {_round(away, unit)} from the nearest bin" if away else ""
        placed.append((end, 0, f"  {'-' * wide}-+- {words} {_six(end, unit)}{far}"))
    return [line for _, _, line in sorted(placed, key=lambda each: each[:2])]


def time_lines(taken: Sequence[Taken], limits: Limits | None, width: int | None = None) -> list[str]:
    """Return a heading and the units in order of time, each with a mark from the lowest to the highest of all.

    Of more than EACH units as many groups are made; a group shows its mean, and `-` from its lowest to its highest.
    The track is narrower where `width` columns hold no more.
    """
    ordered = sorted(taken, key=lambda each: each.at)
    size = -(-len(ordered) // EACH)
    groups = [ordered[place : place + size] for place in range(0, len(ordered), size)]
    values = [each.value for each in ordered]
    low, high = min(values), max(values)
    fences = [(end, "[" if words.startswith("lower") else "]") for end, words in ends_of(limits) if low <= end <= high]
    heading, times = time_column("In order of time", [group[0].at for group in groups])
    lines = [f"{heading}, from the lowest to the highest of all:"]
    tails = [_tail(group) for group in groups]
    around = len("    ||  ") + max(map(len, times)) + max(map(len, tails))
    columns = TRACK if width is None else max(LEAST_TRACK, min(TRACK, width - around))

    def place(value: float) -> int:
        return round((columns - 1) * (value - low) / (high - low)) if high > low else columns // 2

    for group, at, tail in zip(groups, times, tails, strict=True):
        of = [each.value for each in group]
        track = [" "] * columns
        for at_column in range(place(min(of)), place(max(of)) + 1):
            track[at_column] = "-"
        for end, sign in fences:
            track[place(end)] = sign
        track[place(sum(of) / len(of))] = "o"
        lines.append(f"  {at}  |{''.join(track)}|  {tail}")
    return lines


def _tail(group: Sequence[Taken]) -> str:
    """Return what stands behind a track: the mean, the units, and whether one missed a limit."""
    mean = sum(each.value for each in group) / len(group)
    name = group[0].serial if len(group) == 1 else f"{group[0].serial} .. {group[-1].serial} ({len(group)})"
    missed = sum(each.failed for each in group)
    mark = f"  {missed} OUT OF LIMITS" if missed else ""
    return f"{_six(mean, group[0].unit)}  {name}{mark}"


def ends_of(limits: Limits | None) -> list[tuple[float, str]]:
    """Return the limits there are, with their names."""
    pairs = ((limits.low, "lower limit"), (limits.high, "upper limit")) if limits else ()
    return [(float(end), words) for end, words in pairs if end is not None]


def _edge(value: float, unit: str, step: float) -> str:
    return format_quantity(value, unit, resolution=step) if step else _six(value, unit)


def _six(value: float, unit: str) -> str:
    return format_quantity(float(f"{value:.6g}"), unit)


def _round(value: float, unit: str) -> str:
    return format_quantity(float(f"{value:.3g}"), unit)
