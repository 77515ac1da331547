"""Parts that the board house did not place, and what a missing one means for the rails that depend on it. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from enum import StrEnum

from bringup.core.board import Board
from bringup.core.budget import downstream
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.reading import BEFORE_OHMS, Reading
from bringup.core.words import FAILED, Kind, Result
from bringup.errors import NotationError

PART = "part"
"""Kind of the events that say what became of a part, with `part` and `is` in their data."""
LONGEST_RUN = 200
"""Parts in a run such as C1-C40: a longer one is a slip."""

_ONE = re.compile(r"[A-Za-z]{1,4}[0-9]{1,5}[A-Za-z]?")
_RUN = re.compile(r"([A-Za-z]{1,4})([0-9]{1,5})\s*(?:-|\.\.|–)\s*([A-Za-z]{0,4})([0-9]{1,5})")
_BETWEEN = re.compile(r"[\s,;/|]+")


class Placed(StrEnum):
    """What became of a part that the board house did not place."""

    FITTED = "fitted by hand since"
    LEFT = "left out on purpose (variant)"
    MISSING = "missing"


def designators(text: str) -> tuple[str, ...]:
    """Read `C14, C15 R3-R6` as C14, C15, R3, R4, R5, R6, in capitals, each once. Raises NotationError."""
    found: dict[str, None] = {}
    joined = _RUN.sub(lambda run: re.sub(r"\s+", "", run[0]).replace("..", "-").replace("–", "-"), text)
    for word in filter(None, _BETWEEN.split(joined)):
        found |= dict.fromkeys(_run(word))
    return tuple(found)


def _run(word: str) -> Iterator[str]:
    what_to_do = "Write designators such as C14, U3 or R3-R6, with blanks or commas between them."
    run = _RUN.fullmatch(word)
    if run is None:
        if _ONE.fullmatch(word) is None:
            raise NotationError(f"{word!r} is no designator of a part", text=word, what_to_do=what_to_do)
        yield word.upper()
        return
    first, last = int(run[2]), int(run[4])
    if run[3].upper() not in ("", run[1].upper()) or not first <= last < first + LONGEST_RUN:
        raise NotationError(f"{word!r} is no run of parts", text=word, what_to_do=what_to_do)
    yield from (f"{run[1].upper()}{number}" for number in range(first, last + 1))


@frozen
class Incomplete:
    """What is known to be incomplete: rails by name, and the inputs whose current such a rail is part of."""

    rails: Mapping[str, str]
    """Rail -> why, in words."""
    inputs: Mapping[str, str]


NOTHING_LACKS = Incomplete({}, {})


def incomplete(board: Board, missing: Iterable[str]) -> Incomplete:
    """Return the rails that lack a part of their converter, those that they feed, and the inputs that feed them."""
    rails: dict[str, str] = {}
    inputs: dict[str, str] = {}
    parts = {part.upper() for part in missing}
    for rail in board.rails.values():
        lacking = [part for part in rail.parts if part.upper() in parts]
        if not lacking:
            continue
        why = f"{' and '.join(lacking)} {'is' if len(lacking) == 1 else 'are'} missing"
        rails.setdefault(rail.name, why)
        for fed in downstream(board, rail.name):
            rails.setdefault(fed.name, f"{why} at {rail.name}")
        if (name := board.input_of(rail.name)) is not None:
            inputs.setdefault(name, f"{why} at {rail.name}")
    return Incomplete(rails, inputs)


def loosened(lacking: Incomplete, point: str, kind: Kind, limits: Limits | None) -> Limits | None:
    """Return by what a reading is still judged: no volts of an incomplete rail, and no too little of its input."""
    if kind is Kind.VOLTAGE and point in lacking.rails:
        return None
    if kind in (Kind.CURRENT, Kind.POWER) and point in lacking.inputs and limits is not None:
        return None if limits.high is None else Limits(limits.unit, high=limits.high)
    return limits


def held_back(reading: Reading, lacking: Incomplete) -> Reading:
    """Return a reading of what is incomplete as not judged, with the reason: it never passes.

    Ohms that are too low and amperes that are too many fail all the same: no missing part excuses them.
    """
    known = lacking.inputs if reading.kind in (Kind.CURRENT, Kind.POWER) else lacking.rails
    why = known.get(reading.point or "")
    if why is None or reading.result is Result.NO_VALUE or reading.aspect.endswith(BEFORE_OHMS):
        return reading
    if reading.kind is not Kind.VOLTAGE and reading.result in FAILED:
        return reading
    note = "; ".join(filter(None, (f"known to be incomplete: {why}", reading.note)))
    return replace(reading, result=Result.NOT_JUDGED, note=note)
