"""What a person says the supply shows, where nothing else can read it: a claim, kept as typed, with no watch."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.wording import shown
from bringup.core.words import Kind
from bringup.runner.endings import Trip
from bringup.runner.evidence import Claim
from bringup.runner.feed import Feed
from bringup.runner.key_words import LETTERS, TYPED_ELSEWHERE
from bringup.runner.looks import drawn_as
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.records import PollSample
from bringup.runner.typed import Wanted, type_in, value_of
from bringup.runner.work import Work

REGULATES = "constant voltage"
LIMITS = "current limit"
MISTYPED = "what I typed is wrong"
"""The other way out of a contradiction: the values are not kept yet, so `c` could not reach them."""

FAR_BELOW = 0.5
"""A current below this part of the limit is not being limited."""
AT_SET = 0.98
"""At this part of the set voltage and above, a supply holds its voltage; below it, at the limit, it does not."""

NOT_ASKED = Value(None, "", why="it was not asked for")


def ask_shown(work: Work, feed: Feed, current: Limits | None = None) -> PollSample:
    """Ask what the supply shows: volts, amps, and whether it limits the current. `current`: what is expected."""
    while (sample := _with_lamp(work, feed, _shown(work, feed, (Kind.VOLTAGE, Kind.CURRENT), current))) is None:
        pass  # mistyped: everything is looked at again
    return sample


def ask_some(work: Work, feed: Feed, kinds: Collection[Kind]) -> PollSample:
    """Ask only for what a log needs: volts, amps, or both for watts."""
    asked = {Kind.VOLTAGE, Kind.CURRENT} if Kind.POWER in kinds else set(kinds)
    return _shown(work, feed, asked, None)


def _shown(work: Work, feed: Feed, kinds: Collection[Kind], current: Limits | None) -> PollSample:
    volts = amps = NOT_ASKED
    if Kind.VOLTAGE in kinds:
        volts = _typed(work, f"{feed.input}: what voltage does the supply show?", Kind.VOLTAGE, None)
    if Kind.CURRENT in kinds:
        amps = _typed(work, f"{feed.input}: what current does the supply show?", Kind.CURRENT, current)
    return PollSample(
        monotonic=work.waits.clock.monotonic(),
        output=feed.output,
        volts=volts.number,
        amps=amps.number,
        over_range=bool(volts.over_range or amps.over_range),
        volts_raw=volts.raw,
        amps_raw=amps.raw,
    )


def _with_lamp(work: Work, feed: Feed, sample: PollSample) -> PollSample | None:
    """Ask what the supply's lamp says, and once more where that does not go with what was typed.

    Returns None if then what was typed is said to be wrong.
    """
    text = f"{feed.input}: what does the supply's lamp say?"
    lines = (f"current limit may stay lit for {feed.limit_time:.2g} s while the board charges: look after that",)
    prompt = Prompt(PromptKind.CHOICE, text, lines, choices=(REGULATES, LIMITS), suggestion=REGULATES, claim=True)
    answer = work.waits.answer(prompt).text
    if doubt := contradiction(feed, sample, answer):
        again = replace(prompt, lines=(f"{doubt}.", "Look at both again."), choices=(*prompt.choices, MISTYPED))
        answer = work.waits.answer(again).text
        if answer == MISTYPED:
            typed = f"{sample.volts_raw}; {sample.amps_raw}"
            text = f"{feed.input}: {typed} was typed of what the supply shows, and taken back: {doubt}"
            work.journal.event("taken-back", text, {"first": typed})
            return None
        if still := contradiction(feed, sample, answer):
            work.journal.event("doubt", f"{feed.input}: {answer!r} stands although {still}")
    sample = replace(sample, mode="current" if answer == LIMITS else "voltage")
    work.evidence.lamp = Claim(prompt, answer, sample.monotonic, (), (feed, sample), len(work.journal.readings))
    return sample


def contradiction(feed: Feed, sample: PollSample, lamp: str) -> str:
    """Say what of the typed volts and amps does not go with what the lamp is said to say; '' if it may be so."""
    volts = None if sample.volts is None else abs(sample.volts)
    amps = None if sample.amps is None else abs(sample.amps)
    limit, held = shown(feed.current_limit, "A"), shown(feed.volts, "V")
    if lamp == LIMITS and amps is not None and amps < FAR_BELOW * feed.current_limit:
        return f"{shown(amps, 'A')} was typed, far below the limit of {limit}: nothing is being limited there"
    if lamp == LIMITS and volts is not None and volts >= AT_SET * feed.volts:
        return f"{shown(volts, 'V')} was typed, the voltage set: in current limit it falls below that"
    low = volts is not None and volts < AT_SET * feed.volts
    if lamp == REGULATES and low and amps is not None and amps >= AT_SET * feed.current_limit:
        assert volts is not None
        return f"{shown(amps, 'A')} was typed, the limit, and {shown(volts, 'V')} of {held}: that is current limit"
    return ""


def ask_found_on(work: Work, output: int) -> None:
    """Ask what an output that was found on showed until it was switched off, and keep it in the unit's history."""
    asked = f"While output {output} was on: what {{}} did the supply show?"
    volts = _typed(work, asked.format("voltage"), Kind.VOLTAGE, None)
    amps = _typed(work, asked.format("current"), Kind.CURRENT, None)
    said = (
        value.raw if value.number is None else format_quantity(value.number, unit)
        for value, unit in ((volts, "V"), (amps, "A"))
    )
    text = f"output {output} showed {' at '.join(said)} while it was on, as typed"
    work.journal.event("found-on", text, {"typed": f"{volts.raw}; {amps.raw}"})


def cut_if_shown(work: Work, feed: Feed, sample: PollSample) -> Trip | None:
    """Count it as a Trip, before it is kept, where a person says that the supply shows more than the board bears.

    Nothing else would notice. Returns the Trip, to be raised once it is kept.
    """
    trip = _trip_of(feed, sample)
    if trip is not None:
        work.power.cut(trip)
    return trip


def _trip_of(feed: Feed, sample: PollSample) -> Trip | None:
    if sample.mode == "current":
        return stayed_limited(feed, sample)
    if sample.over_range:
        return Trip(f"{feed.input}: the supply shows over range; that counts as above what damages the board")
    bounds = (
        ("V", sample.volts, feed.damage_above, "what damages it"),
        ("A", sample.amps, feed.trip_current, "its trip level"),
    )
    for unit, found, most, what in bounds:
        if found is not None and most is not None and abs(found) > most:
            return Trip(f"{feed.input}: the supply shows {shown(found, unit)}, above {shown(most, unit)} ({what})")
    return None


def stayed_limited(feed: Feed, sample: PollSample) -> Trip:
    """Return the Trip of a supply whose lamp is said to stay at current limit: as a supply that is watched gives it."""
    doubt = contradiction(feed, sample, LIMITS)
    return Trip(
        f"{feed.input} stayed in current limit ({format_quantity(feed.current_limit, 'A')}), longer than the "
        f"{feed.limit_time:.2g} s that charging may take, by the person's word"
        + (f" (although {doubt})" if doubt else drawn_as(feed.input, sample))
    )


def _typed(work: Work, text: str, kind: Kind, limits: Limits | None) -> Value:
    role = work.setup.bench.supply
    assert role is not None, "it is set by hand"
    ceiling = role.ceiling.current if kind is Kind.CURRENT else role.ceiling.voltage
    wanted = Wanted(
        text,
        kind,
        limits=limits,
        most=None if ceiling is None else ceiling.number,
        letters=TYPED_ELSEWHERE,
    )
    while True:
        typed = work.waits.result(type_in(work.setup.ask, wanted), "person", text)
        work.journal.troubles("supply", typed[2])
        if typed[1] not in LETTERS:
            return value_of(typed, kind)
        work.waits.on_key(typed[1])
