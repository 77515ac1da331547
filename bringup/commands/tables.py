"""Plain text tables and the words in them, for commands that list what a logbook holds.

Nothing here depends on colour or on a terminal: the same text goes into a pipe.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from bringup.core.harmless import harmless
from bringup.core.quantity import format_reading
from bringup.core.reading import Reading
from bringup.core.verdict import rated
from bringup.core.wording import folded
from bringup.core.wording import limits_text as short_limits
from bringup.core.words import How, Result
from bringup.logbook.deviation_rows import LoggedDisposition
from bringup.logbook.filters import ID_SHOWN
from bringup.logbook.rows import LoggedAttempt, LoggedReading

SIMULATED = "SIMULATED"
INDENT = "    "

GAP = "  "


def format_table(
    headings: Sequence[str], rows: Sequence[Sequence[str]], *, right: Iterable[str] = (), width: int | None = None
) -> list[str]:
    """Return lines of columns as wide as what they hold; `right`: headings of columns set to the right.

    Columns that hold nothing in any row are left out. Nothing is ever cut: a long cell makes its line longer. Columns
    that do not fit into `width` any more go under those before them, set in, in every row alike: a row is then several
    lines in one text.
    """
    rows = [[harmless(cell) for cell in row] for row in rows]
    kept = [number for number in range(len(headings)) if any(row[number] for row in rows)]
    to_right = set(right)
    widths = {number: max(len(headings[number]), *(len(row[number]) for row in rows)) for number in kept}
    groups = _side_by_side(kept, widths, width)
    lines = []
    for row in (headings, *rows):
        cells = {
            number: row[number].rjust(widths[number])
            if headings[number] in to_right
            else row[number].ljust(widths[number])
            for number in kept
        }
        parts = (GAP.join(cells[number] for number in group).rstrip() for group in groups)
        lines.append("\n".join(f"{INDENT if place else ''}{part}" for place, part in enumerate(parts) if part))
    return lines


def fitting_table(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    right: Iterable[str] = (),
    width: int | None = None,
    below: Sequence[Sequence[str]] | None = None,
    least: Sequence[str] = (),
    under: str = "",
) -> list[str]:
    """Return a table with further lines under its rows (`below`), made to fit where it would be wider than `width`.

    Until it fits: what is the same in all rows stands above instead, the column `under` goes under its rows, and
    columns are left out, the first of `least` first, which is said. The last columns of a single row go under it.
    """
    rows = [[harmless(cell) for cell in row] for row in rows]
    below = [[] for _ in rows] if below is None else [list(each) for each in below]
    kept = [number for number in range(len(headings)) if any(row[number] for row in rows)]
    above, gone = "", []

    def too_wide() -> bool:
        needed = sum(max(len(headings[number]), *(len(row[number]) for row in rows)) for number in kept)
        return width is not None and needed + len(GAP) * (len(kept) - 1) > width

    def named(numbers: Iterable[int]) -> str:
        return ", ".join(f"{headings[number]} {rows[0][number]}".strip() for number in numbers)

    if len(rows) == 1:
        whole = list(kept)
        while too_wide() and len(kept) > 1:
            kept.pop()
        below[0] = [each for each in (named(whole[len(kept) :]), *below[0]) if each]
    same = [number for number in kept if len({row[number] for row in rows}) == 1]
    if too_wide() and same and len(same) < len(kept):
        kept = [number for number in kept if number not in same]
        above = f"In all rows: {named(same)}"
    if too_wide() and under in headings and (place := headings.index(under)) in kept:
        kept.remove(place)
        below = [[row[place], *more] if row[place] else more for row, more in zip(rows, below, strict=True)]
    for number in [number for name in least for number in kept if headings[number].startswith(name)]:
        if too_wide():
            kept.remove(number)
            gone.append(headings[number])
    shown = [[row[number] for number in kept] for row in rows]
    lines = format_table([headings[number] for number in kept], shown, right=right, width=width)
    note = f"Left out for want of room: {', '.join(gone)} (all is in --json and --as csv, or in a wider window)"
    return [
        *([folded(above, width)] if above else []),
        *under_rows(lines, below, width),
        *([folded(note, width)] if gone else []),
    ]


def _side_by_side(kept: Sequence[int], widths: dict[int, int], width: int | None) -> list[list[int]]:
    """Return which columns stand beside each other in so many columns of a terminal; None: all."""
    groups: list[list[int]] = [[]]
    taken = -len(GAP)
    for number in kept:
        taken += len(GAP) + widths[number]
        if groups[-1] and width is not None and taken > width:
            groups.append([])
            taken = len(INDENT) + widths[number]
        groups[-1].append(number)
    return groups


def under_rows(lines: Sequence[str], below: Sequence[Sequence[str]], width: int | None = None) -> list[str]:
    """Put further lines, indented, under each row of a table whose first line is its headings."""
    result = list(lines[:1])
    for line, more in zip(lines[1:], below, strict=True):
        result += [line, *(folded(INDENT + text, width) for text in more)]
    return result


def local_time(at: datetime) -> str:
    """Write a time as the clock on the wall shows it, with its zone."""
    return at.astimezone().strftime("%Y-%m-%d %H:%M:%S %Z")


def time_column(heading: str, times: Sequence[datetime]) -> tuple[str, list[str]]:
    """Return heading and cells of a column of times: the zone stands in the heading where all share it."""
    cells = [local_time(at) for at in times]
    zones = {cell.rpartition(" ")[2] for cell in cells}
    if len(zones) != 1:
        return heading, cells
    return f"{heading} ({zones.pop()})", [cell.rpartition(" ")[0] for cell in cells]


def value_text(reading: Reading) -> str:
    """Write the value with no more digits than the instrument gave."""
    text = format_reading(reading.value, reading.unit, reading.resolution)
    return text if reading.value is None else rated(text, reading.aspect)


def limits_text(reading: Reading) -> str:
    """Write the limits as they were stated, else as a short range of computed ends."""
    return "" if reading.limits is None else rated(short_limits(reading.limits), reading.aspect)


def quantity_text(reading: Reading) -> str:
    """Write what was measured: 'voltage', 'current mean'."""
    return f"{reading.kind} {reading.aspect}".rstrip()


def remarks(logged: LoggedReading) -> str:
    """Write what sets a reading apart: typed by hand, corrected, unsettled."""
    reading = logged.reading
    words = []
    if reading.how is not How.READ:
        words.append(reading.how.value)
    if reading.unsettled:
        words.append(f"unsettled{_range(reading)}")
    if logged.replaced_by:
        words.append("corrected")
    if reading.replaces:
        words.append("corrects")
    return ", ".join(words)


def failure_text(logged: LoggedReading) -> str:
    """Write in one line what a reading failed by."""
    reading = logged.reading
    limits = limits_text(reading)
    text = f"{reading.point or ''} {quantity_text(reading)} {value_text(reading)}".strip()
    if limits:
        text += f", limits {limits}"
    if reading.unsettled:
        text += f", unsettled{_range(reading)}"
    if reading.note:
        text += f" ({reading.note})"
    return text if reading.result is Result.NO_VALUE else f"{text}: {reading.result}"


def with_waiver(text: str, waiver: LoggedDisposition | None) -> str:
    """Add to what failed by whom it is waived."""
    return text if waiver is None else f"{text}; waived by {waiver.origin.who}: {waiver.why}"


def result_text(attempt: LoggedAttempt) -> str:
    """Write an attempt's result; one that nobody closed is going, or its process died."""
    return attempt.result.value if attempt.result else "not ended"


def links(attempt: LoggedAttempt) -> list[str]:
    """Write which attempt it continues, and which one continues it, one line each."""
    pairs = (("continues", attempt.continues), ("continued by", attempt.continued_by))
    return [f"{words} attempt {other[:ID_SHOWN]}" for words, other in pairs if other]


def _range(reading: Reading) -> str:
    if reading.lowest is None or reading.highest is None:
        return ""
    ends = (format_reading(end, reading.unit, reading.resolution) for end in (reading.lowest, reading.highest))
    return " " + " .. ".join(ends)
