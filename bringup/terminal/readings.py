"""A reading as one line: name, value, its place between its limits, the limits, deviation, result. Pure."""

from __future__ import annotations

from decimal import Context, Decimal

from bringup.core.limits import Limits, deviation_percent
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.verdict import full_name, rated
from bringup.core.wording import limits_text, uncertainty_text
from bringup.core.words import Kind, Result
from bringup.terminal.lines import Line, Tone
from bringup.terminal.pictures import NARROW, UNICODE, Signs, place

_MARK = {
    Result.PASS: "pass",
    Result.CONDITIONAL_PASS: "conditional pass",
    Result.CONDITIONAL_FAIL: "CONDITIONAL FAIL",
    Result.FAIL: "FAIL",
    Result.NO_VALUE: "NO VALUE",
    Result.NOT_JUDGED: "not judged",
    Result.RECORDED: "recorded",
}
_TONE = {
    Result.PASS: Tone.GOOD,
    Result.CONDITIONAL_PASS: Tone.GOOD,
    Result.CONDITIONAL_FAIL: Tone.BAD,
    Result.FAIL: Tone.BAD,
    Result.NO_VALUE: Tone.BAD,
    Result.NOT_JUDGED: Tone.WARN,
    Result.RECORDED: Tone.PLAIN,
}

WIDE_NAMES = 42
"""Columns for name and value, with its uncertainty where there is room for that."""
NARROW_NAMES = 31
"""Columns for name and value in a narrow line."""
NARROWEST = 80
"""Columns of the terminal that narrow lines are made for."""


def reading_line(reading: Reading, signs: Signs = UNICODE, *, narrow: bool = False) -> Line:
    """One reading as a line of about 110 columns.

    `narrow`, for terminals of 80, draws a smaller place and leaves the deviation out.
    """
    name, value, limits = name_of(reading), value_of(reading), bounds(reading)
    words = [_MARK[reading.result]]
    if reading.unsettled and reading.lowest is not None and reading.highest is not None:
        low = format_quantity(reading.lowest, reading.unit, resolution=reading.resolution)
        high = format_quantity(reading.highest, reading.unit, resolution=reading.resolution)
        words.append(f"unsettled: {low} .. {high}")
    if reading.note:
        words.append(reading.note)
    if narrow:
        name = name if len(name) + len(value) < NARROW_NAMES else name.replace("standard deviation", "std dev")
        picture, end = place(reading.value, reading.limits, signs, NARROW), "; ".join(words)
        head = _narrow(name, value)
        text = f"{head} {picture} {limits:<20}  {end}"
        if _widest(text) > NARROWEST:
            # The columns stay; what is said of the reading beyond its result goes on a line below.
            text = f"{head} {picture} {limits:<20}  {words[0]}"
            text = text if _widest(text) <= NARROWEST else "  ".join(filter(None, (head, limits, words[0])))
            text += "".join(f"\n      {said}" for said in words[1:])
    else:
        if reading.uncertainty is not None:
            sure = f"{value} ± {uncertainty_text(reading.uncertainty, reading.unit)}"
            value = sure if len(name) + len(sure) < WIDE_NAMES else value
        picture = place(reading.value, reading.limits, signs)
        off = deviation(reading.value, reading.limits)
        text = f"  {_side_by_side(name, value, WIDE_NAMES)} {picture} {limits:<22} {off:>11}  {'; '.join(words)}"
    return Line(text.rstrip(), _TONE[reading.result])


def _side_by_side(name: str, value: str, columns: int) -> str:
    """Name to the left, value to the right; a long name takes of the space between them."""
    return f"{name} {value.rjust(columns - 1 - len(name))}"


def _narrow(name: str, value: str) -> str:
    """The same in few columns; a name too long for them stands on a line above, so that the columns stay."""
    if len(name) + len(value) < NARROW_NAMES:
        return f"  {_side_by_side(name, value, NARROW_NAMES)}"
    return f"  {name}\n  {value.rjust(NARROW_NAMES)}"


def _widest(text: str) -> int:
    return max(len(line) for line in text.rstrip().split("\n"))


def name_of(reading: Reading) -> str:
    """What was measured: '3V3', 'VIN current mean'."""
    kind = "" if reading.kind in {Kind.VOLTAGE, Kind.RESISTANCE, Kind.RATIO} else reading.kind.value
    return " ".join(part for part in (reading.point or "", kind, reading.aspect) if part) or reading.kind.value


def value_of(reading: Reading) -> str:
    """The value with the digits that the instrument gave, or that there is none."""
    if reading.value is None:
        return "no value"
    return rated(format_quantity(reading.value, reading.unit, resolution=reading.resolution), reading.aspect)


def deviation(value: float | None, limits: Limits | None) -> str:
    """The deviation from nominal: '+0.18 %'; for a negative nominal that of the magnitude, and marked: '|x| -0.05 %'.

    The picture beside it has low on the left, always: -11.9 V stands right of -12 V, though its magnitude is lower.
    """
    if value is None or limits is None:
        return ""
    percent = deviation_percent(value, limits)
    if percent is None or limits.nominal is None:
        return ""
    # Adding zero turns a rounded -0.00 into 0.00.
    return f"{'|x| ' if limits.nominal < 0 else ''}{round(percent, 2) + 0.0:+.2f} %"


def told_of(reading: Reading, cause: str) -> bool:
    """Whether the cause names this reading already, by its point, aspect and value."""
    return f"{full_name(reading)} {value_of(reading)}" in cause


def bounds(reading: Reading) -> str:
    """The limits as two ends, in the unit's prefix of each: '3.234 V .. 3.366 V', '' without.

    A limit with one end stands as it was written: '> 200 Ω'.
    """
    limits = reading.limits
    if limits is None:
        return ""
    low, high = (
        "" if end is None else rated(_short(end, limits.unit), reading.aspect) for end in (limits.low, limits.high)
    )
    if low and high:
        return f"{low} .. {high}"
    return rated(limits_text(limits), reading.aspect) if low or high else ""


def _short(end: Decimal, unit: str) -> str:
    """One end of the limits in five digits: computed ones have many more, which the logbook keeps."""
    return format_quantity(Context(prec=5).plus(end), unit)
