"""The last attempt of a unit as going on with it sees it, and why a procedure may not go on with it. Pure.

The logbook reads it (logbook.earlier); what of it still holds is decided in going_on.py.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime

from bringup.core.frozen import frozen
from bringup.core.procedure import Procedure
from bringup.core.words import AttemptResult, StepOutcome
from bringup.runner.records import SourceText

CONTINUABLE = (AttemptResult.CALLED_OFF, AttemptResult.BROKEN_OFF)
"""Results after which an attempt can be gone on with; any other one is the end of it."""
ID_SHOWN = 8
"""How much of an attempt's id is shown to people."""


@frozen
class EarlierStep:
    """A step as the earlier attempt left it."""

    kind: str
    outcome: StepOutcome | None
    result: str
    origin: str
    """Id of the attempt in which it was really done."""
    doubted: bool = False
    """Whether a reading of it, as corrected since, did not pass."""

    @property
    def passed(self) -> bool:
        """Whether it was done and nothing in it failed or is missing."""
        return self.outcome is StepOutcome.DONE and self.result == "pass" and not self.doubted


@frozen
class Earlier:
    """The last attempt of a unit, as far as going on with it depends on it."""

    id: str
    started: datetime
    result: AttemptResult | None
    """None: it is still going."""
    cause: str
    procedure: str
    board: str
    revision: str
    variant: str
    steps: tuple[EarlierStep, ...]
    sources: tuple[SourceText, ...] = ()
    reworked: str = ""
    """What was changed on the unit in it or since, '' if nothing was: it says nothing about the board as it is now."""
    disturbed: str = ""
    """What happened in it after which no reading of the unpowered board holds any more; '' if nothing did."""

    @property
    def named(self) -> str:
        """The attempt as people see it: 'attempt 1f0c2a9e of 2026-11-25 12:00 UTC (broken off)'."""
        result = "still going" if self.result is None else self.result.value
        return f"attempt {self.id[:ID_SHOWN]} of {self.started:%Y-%m-%d %H:%M} UTC ({result})"


@frozen
class GoingOn:
    """What is carried over from an earlier attempt."""

    earlier: Earlier
    steps: Mapping[int, str]
    """Index of a step that is not done again -> id of the attempt in which it was done."""
    text: str
    """What stays and what is done again, for people and the logbook."""


def differences(earlier: Earlier, procedure: Procedure, variant: str, sources: tuple[SourceText, ...]) -> Iterator[str]:
    """Say why this procedure cannot go on with that attempt, one sentence each; nothing if it can."""
    if earlier.result not in CONTINUABLE:
        yield "it is still going" if earlier.result is None else f"it has come to its end: {earlier.result.value}"
        return
    if earlier.reworked:
        yield f"the unit was reworked since: {earlier.reworked}"
    pairs = (
        ("procedure", earlier.procedure, procedure.name),
        ("board", earlier.board, procedure.board.name),
        ("board's revision", earlier.revision, procedure.board.revision),
        ("variant", earlier.variant, variant),
    )
    for what, before, now in pairs:
        if before != now:
            yield f"the {what} was {before or '(none given)'}, now it is {now or '(none given)'}"
    for kind in ("procedure", "board"):
        yield from other_text(kind, earlier.sources, sources)


def other_text(kind: str, before: tuple[SourceText, ...], now: tuple[SourceText, ...]) -> Iterator[str]:
    """Say in what the files of that kind are not what they were; nothing if they have the same contents."""
    then, here = (
        [(source.path, source.text) for source in sources if source.kind == kind] for sources in (before, now)
    )
    for path, text in here:
        if any(text == other for _, other in then):
            continue
        if not then:
            yield f"that attempt had no {kind} file, now there is {path}"
            continue
        was = "" if path == then[0][0] else f" ({then[0][0]})"
        yield f"the {kind} file {path} is not what it was{was}: {_first_difference(then[0][1], text)}"
    if then and not here:
        yield f"the {kind} file {then[0][0]} is not used any more"


def _first_difference(old: str, new: str) -> str:
    """Name the first line that differs, as it was and as it is."""
    before, now = old.splitlines(), new.splitlines()
    for number, (was, is_now) in enumerate(zip(before, now, strict=False), 1):
        if was != is_now:
            return f"line {number} was {was.strip()!r}, now {is_now.strip()!r}"
    if len(before) == len(now):
        return "its line ends differ"
    return f"it had {len(before)} lines, now {len(now)}"
