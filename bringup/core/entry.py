"""Readings typed by hand: what a person writes down from a meter, and whether it looks like a slip of the hand.

Forgiving in form (the unit may be left out, lower case will do), strict in meaning. A doubt is a reason to ask once,
never a reason to refuse: what the person stands by is kept.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import pairwise

from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.notation import MAX_LENGTH
from bringup.core.quantity import format_quantity, parse_quantity
from bringup.core.words import UNIT_OF, Kind
from bringup.errors import NotationError

_RISING = re.compile(r"[ ,;]*(?:(?:and|&|\+)[ ]+)?(?:rising|climbing|↑)\s*$", re.IGNORECASE)
_OVER_RANGE = re.compile(
    r"([+-]?)\s*(?:[o0]\.?l\.?|ovld|ovl|over[ -]?load|over[ -]?range)\s*[pnuµμmkMG]?(?:V|A|W|Ω|\u2126|ohms?)?",
    re.IGNORECASE,
)
_BARE = re.compile(r"([+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)[ ]*([pnuµμmkKMG]?)")
_LETTER_CODE = re.compile(r"[0-9]*[RKkMG][0-9]*")
_TYPED_UNIT = re.compile(r"([pnuµμmkKMG]?)(v|vdc|a|adc|w|hz|f|s|ohms?|r|c)", re.IGNORECASE)
_COMMA = re.compile(r"([+-]?[0-9]+),([0-9]+)(.*)", re.DOTALL)
_UNIT_FOR = {"v": "V", "vdc": "V", "a": "A", "adc": "A", "w": "W", "hz": "Hz", "f": "F", "s": "s", "r": "ohm"}

_POWERS = (1, -1, 3, -3, 2, -2, 6, -6)
"""Powers of ten that a slipped point or a misread prefix is off by, the commonest first."""


@frozen
class Entry:
    """A typed reading. `value` is in `unit`; None with `over_range` +1 or -1 where the meter showed OL."""

    value: float | None
    unit: str
    text: str
    """As typed."""
    over_range: int = 0
    rising: bool = False
    """Still climbing when it was written down (a capacitor charging through an ohmmeter)."""
    resolution: float | None = None
    """Weight of the last digit typed."""


def read_entry(text: str, kind: Kind) -> Entry:
    """Read `3.306`, `3.306 V`, `499 mA`, `OL`, `7M rising`, `-0.02`, `3280mV`. Raises NotationError.

    Without a unit, the one of `kind` is meant. A unit of another kind is read all the same and is one of `doubts`:
    the caller must not take `value` for the kind it asked for before looking at `unit`.
    """
    unit = UNIT_OF[kind]
    example = {"V": "3.306 or 3306 mV", "A": "0.499 or 499 mA", "ohm": "4700 or 4.7k"}.get(unit, f"25.0 {unit}")
    what_to_do = f"Type what the meter shows, such as {example}; OL where it is over range."
    body = text.strip()
    if not body:
        raise NotationError("nothing was typed", text=text, what_to_do=what_to_do)
    if len(body) > MAX_LENGTH:
        raise NotationError(
            f"{len(body)} characters are no reading: {body[:30]!r}...", text=text[:MAX_LENGTH], what_to_do=what_to_do
        )
    rising = _RISING.search(body)
    shown = body[: rising.start()].strip() if rising else body
    if over := _OVER_RANGE.fullmatch(shown):
        return Entry(None, unit, body, over_range=-1 if over.group(1) == "-" else 1, rising=rising is not None)
    if comma := _COMMA.fullmatch(shown):
        raise NotationError(
            f"{body!r} has a comma",
            text=text,
            offset=text.index(","),
            what_to_do=f"Type a decimal point: {comma.group(1)}.{comma.group(2)}{comma.group(3)}",
        )
    try:
        quantity = parse_quantity(*_completed(shown, unit))
    except NotationError as error:
        offset = min(error.offset + text.index(body), len(text))
        raise NotationError(error.message, text=text, offset=offset, what_to_do=what_to_do) from error
    return Entry(quantity.number, quantity.unit, body, rising=rising is not None, resolution=quantity.resolution)


def _completed(shown: str, unit: str) -> tuple[str, str | None]:
    """Return what was typed with its unit in our spelling, and the unit to insist on (for the letter code only)."""
    shown = shown.replace("\u2212", "-").replace("\u2126", "Ω")
    if unit == "ohm" and _LETTER_CODE.fullmatch(shown) and any(character.isdigit() for character in shown):
        return (shown, unit) if not shown.isdigit() else (f"{shown} {unit}", unit)
    if bare := _BARE.fullmatch(shown):
        prefix = "" if unit in ("degC", "%") else bare.group(2)
        return (f"{bare.group(1)} {prefix}{unit}" if prefix == bare.group(2) else shown), None
    number = _BARE.match(shown)
    if number is None:
        return shown, None
    end = number.end(1)
    if typed := _TYPED_UNIT.fullmatch(shown[end:].strip()):
        prefix, letters = typed.group(1), typed.group(2).lower()
        ours = _UNIT_FOR.get(letters, "ohm" if letters.startswith("ohm") else "degC")
        return f"{shown[:end]} {prefix}{ours}", None
    return shown, None


NEAR = 0.2
"""A slip of the hand gives the nominal value to within this part of it."""
LEAST_OHMS = 0.05
"""Ohms below which a handheld meter shows 0: it resolves 0.1 ohm, and its leads have more (common practice, no
source)."""
FAR = 3.0
"""A value so many times beyond every other point's limits is none of this board's."""


def doubts(
    value: Entry | float, kind: Kind, limits: Limits | None, others: Mapping[str, Limits] | None = None
) -> tuple[str, ...]:
    """Return what makes a typed value look like a slip, in words to put to the person.

    Within its limits nothing does, but for ohms that no handheld meter shows.

    `others`: limits of the board's other points by name. Limits with one end only permit so much that a slipped
    point or sign cannot be told; they raise no doubt but that of the unit.
    """
    entry = value if isinstance(value, Entry) else Entry(value, UNIT_OF[kind], f"{value:.12g}")
    due = UNIT_OF[kind]
    if entry.unit != due:
        return (f"that is in {entry.unit}, where a {kind} in {due} was asked for",)
    if entry.value is None:
        return ()
    if due == "ohm" and 0 < abs(entry.value) < LEAST_OHMS:
        return (f"that is {format_quantity(entry.value, due)}, which no handheld meter shows: is it in kΩ or MΩ?",)
    if limits is None or limits.unit != due:
        return tuple(_far_doubts(entry.value, due, others or {}))
    if limits.accepts(entry.value):
        return ()
    found = [*_sign_doubts(entry.value, limits)]
    if _two_ended(limits):
        found += [*_power_doubts(entry.value, limits, due), *_swap_doubts(entry.value, limits, due)]
    for name, other in (others or {}).items():
        if other.unit == due and _two_ended(other) and other.accepts(entry.value):
            found.append(f"it would fit {name}: is the probe on the right point?")
    return tuple(found) or tuple(_far_doubts(entry.value, due, others or {}))


def _two_ended(limits: Limits) -> bool:
    return limits.low is not None and limits.high is not None


def _sign_doubts(value: float, limits: Limits) -> Iterator[str]:
    """A sign that is wrong on both ends. The value that would pass is not named: it may well be the leads."""
    if value == 0 or not _two_ended(limits) or not limits.accepts(-value):
        return
    sign = "a minus sign" if value < 0 else "no minus sign"
    yield f"{sign}: are the leads or the probes the wrong way round? Type what is shown, sign and all"


def _far_doubts(value: float, unit: str, others: Mapping[str, Limits]) -> Iterator[str]:
    """Far beyond everything on this board: another quantity was read, or a prefix was typed."""
    ends = [abs(float(end)) for each in others.values() if each.unit == unit for end in (each.low, each.high) if end]
    if ends and abs(value) > FAR * max(ends):
        yield f"that is more than {FAR:g} times what any other point carries: was something else read?"


def _power_doubts(value: float, limits: Limits, unit: str) -> Iterator[str]:
    for power in _POWERS:
        scaled = float(f"{value:.15g}e{power}") if "e" not in f"{value:.15g}" else value * 10.0**power
        if value != 0 and _meant(scaled, limits):
            yield f"with the decimal point elsewhere, as {format_quantity(scaled, unit)}, it would be within its limits"
            return


def _meant(value: float, limits: Limits) -> bool:
    """Whether a value may have been meant: within its limits, and near the nominal value where these are wide."""
    nominal = None if limits.nominal is None else float(limits.nominal)
    return limits.accepts(value) and (not nominal or abs(value - nominal) <= NEAR * abs(nominal))


def _swap_doubts(value: float, limits: Limits, unit: str) -> Iterator[str]:
    """Two neighbouring digits swapped, the point staying where it is."""
    digits = list(f"{value:.12g}")
    if "e" in digits:
        return
    places = [place for place, character in enumerate(digits) if character.isdigit()]
    for left, right in pairwise(places):
        swapped = digits.copy()
        swapped[left], swapped[right] = digits[right], digits[left]
        other = float("".join(swapped))
        if other != value and _meant(other, limits):
            yield f"with two digits swapped, as {format_quantity(other, unit)}, it would be within its limits"
            return
