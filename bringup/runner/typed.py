"""Values that a person types: asking until the line can be read, asking once more about a slip, and correcting.

A doubt is never a refusal: what the person stands by is taken and flagged. A correction keeps what it corrects.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from decimal import Decimal

from bringup.core.entry import Entry, doubts, read_entry
from bringup.core.frozen import frozen
from bringup.core.limits import Limits, judge
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading, new_id
from bringup.core.replies import Value
from bringup.core.words import UNIT_OF, How, Kind, Result
from bringup.errors import NotationError
from bringup.runner.exchange import settled
from bringup.runner.key_words import LETTERS
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.protocols import Ask
from bringup.runner.roles import Trouble

UNREADABLE = 5
"""So many lines that cannot be read are no value: nobody may be there."""

Typed = tuple[Entry | None, str, tuple[Trouble, ...]]
"""What was read of the typed line (None: nothing that can be read), the line, and doubts that remain."""


@frozen
class Wanted:
    """A value to be typed: what is asked, of what kind, and what would make it doubtful."""

    text: str
    kind: Kind
    lines: tuple[str, ...] = ()
    limits: Limits | None = None
    others: Mapping[str, Limits] | None = None
    exact: bool = False
    """A setting: anything outside `limits` is doubtful, not only what looks like a slip."""
    most: float | None = None
    """What the bench can do at most: more is doubtful, whatever else is expected."""
    letters: str = ""
    """Whoever asks acts on keys: one of LETTERS alone is handed back as it is; these are shown."""


def type_in(
    ask: Ask, wanted: Wanted, *, tries: int = UNREADABLE, doubted: tuple[Entry, tuple[str, ...]] | None = None
) -> Pending[Typed]:
    """Ask for a value until the line can be read; one that looks like a slip is asked for once more, then it stands.

    `doubted`: the value that looked like a slip, and why; what was typed first is kept beside what replaced it. No
    doubt ever loses a reading: where nothing that can be read follows, the doubted one stands. A setting that is still
    wrong stands only if it is the same. A value of another kind of quantity never does: it is no answer.
    """
    prompt = Prompt(PromptKind.VALUE, wanted.text, lines=wanted.lines, unit=UNIT_OF[wanted.kind], keys=wanted.letters)

    def unanswered(line: str, why: str) -> Typed:
        # A knob was turned since: what it showed before is no answer.
        if doubted is None or wanted.exact or doubted[0].unit != UNIT_OF[wanted.kind]:
            return None, line, (Trouble("typed", why),)
        entry, slips = doubted
        return entry, entry.text, (_stands_although(entry, slips), Trouble("typed", f"typed after it: {why}"))

    def answered(answer: Answer) -> Pending[Typed]:
        if wanted.letters and answer.text.strip() in LETTERS:
            return settled((None, answer.text.strip(), ()))
        try:
            entry = read_entry(answer.text, wanted.kind)
        except NotationError as error:
            if tries <= 1:
                return settled(unanswered(answer.text, f"{answer.text!r} cannot be read as a {wanted.kind}"))
            lines = (error.message, *filter(None, (error.what_to_do,)))
            return type_in(ask, replace(wanted, lines=lines), tries=tries - 1, doubted=doubted)
        slips = doubts(entry, wanted.kind, wanted.limits, wanted.others) or off_target(entry, wanted)
        slips = slips or above_ceiling(entry, wanted)
        other_kind = entry.unit != UNIT_OF[wanted.kind]
        if slips and tries > 1 and (other_kind or not _stands(entry, wanted, doubted)):
            lines = (f"{entry.text}: {'; '.join(slips)}", "Look again, and type what is shown.")
            again = replace(wanted, lines=lines)
            keep = other_kind and doubted is not None
            return type_in(ask, again, tries=tries - 1, doubted=doubted if keep else (entry, slips))
        if other_kind:
            return settled(unanswered(answer.text, f"{entry.text}: {'; '.join(slips)}"))
        flags: tuple[Trouble, ...] = (_stands_although(entry, slips),) if slips else ()
        if doubted is not None and doubted[0].text != entry.text:
            flags += (Trouble("typed", f"first typed {doubted[0].text!r}, then {entry.text!r}"),)
        return settled((entry, answer.text, flags))

    return ask.ask(prompt).chain(answered)


def _stands_although(entry: Entry, slips: tuple[str, ...]) -> Trouble:
    return Trouble("typed", f"{entry.text} stands although {'; '.join(slips)}")


def _stands(entry: Entry, wanted: Wanted, doubted: tuple[Entry, tuple[str, ...]] | None) -> bool:
    """Whether a doubtful value is taken, having been asked for before."""
    if doubted is None or doubted[0].unit != entry.unit:
        return False
    same = (doubted[0].value, doubted[0].over_range) == (entry.value, entry.over_range)
    # A knob is turned until it shows what was dictated: another value that is still wrong is not insisted upon.
    return same or not wanted.exact


def off_target(entry: Entry, wanted: Wanted) -> tuple[str, ...]:
    """Return what is wrong with a setting that is not what it was to be."""
    limits = wanted.limits
    if not wanted.exact or limits is None or (entry.value is not None and limits.accepts(entry.value)):
        return ()
    asked = "what was asked for" if limits.nominal is None else format_quantity(limits.nominal, limits.unit)
    return (f"it was to be {asked}: set it again",)


def above_ceiling(entry: Entry, wanted: Wanted) -> tuple[str, ...]:
    """Return what is wrong with a value that the bench is not to come to."""
    unit = UNIT_OF[wanted.kind]
    if wanted.most is None or entry.unit != unit or entry.value is None or abs(entry.value) <= wanted.most:
        return ()
    most = format_quantity(wanted.most, unit)
    return (f"that is more than the bench's ceiling of {most}: is it in m{unit}?",)


def value_of(typed: Typed, kind: Kind) -> Value:
    """Return the typed value; one in a unit of another kind is no value."""
    entry, text, _ = typed
    if entry is None:
        return Value(None, text, why="what was typed cannot be read")
    if entry.unit != UNIT_OF[kind]:
        return Value(None, text, why=f"typed in {entry.unit}, a {kind} was asked for")
    if entry.over_range:
        return Value(None, text, over_range=entry.over_range, why="over range")
    return Value(entry.value, text, resolution=entry.resolution)


def corrected(old: Reading, text: str, *, at: datetime, monotonic: float) -> Reading:
    """Return the reading that takes the place of one typed wrongly; the old one is kept beside it.

    Raises NotationError for what cannot be read, or is of another kind.
    """
    entry = read_entry(text, old.kind)
    if entry.unit != old.unit:
        raise NotationError(
            f"{text!r} is in {entry.unit}, but the reading to be corrected is in {old.unit}",
            text=text,
            what_to_do=f"Type a {old.kind} in {old.unit}.",
        )
    return replace(
        old,
        id=new_id(),
        replaces=old.id,
        value=entry.value,
        raw=text,
        how=How.TYPED,
        at=at,
        monotonic=monotonic,
        resolution=entry.resolution,
        result=_result_in_place(old, entry),
    )


def _result_in_place(old: Reading, entry: Entry) -> Result:
    """Return the result of a value in another one's place, by the limits that both have.

    What stood in the way of judging it then stands in the way of judging what it should have read; what a rule or a
    person failed without limits is not made good by limits that are not there, nor what never settled by one value.
    """
    if old.result is Result.NOT_JUDGED or (old.result is Result.FAIL and old.limits is None):
        return old.result
    result = judge(entry.value, old.limits)
    return Result.FAIL if old.unsettled and result is not Result.NO_VALUE else result


def near(around: float | None, kind: Kind) -> Limits | None:
    """Return 10 % about the value expected, by which a slip is noticed where no limits are known."""
    if not around:
        return None
    ends = sorted((Decimal(repr(around * 0.9)), Decimal(repr(around * 1.1))))
    return Limits(UNIT_OF[kind], low=ends[0], high=ends[1])
