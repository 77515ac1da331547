"""What a person says the supply shows, where nothing else can read it: a claim, kept as typed, with no watch."""

from __future__ import annotations

from collections.abc import Collection

from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.wording import shown
from bringup.core.words import Kind
from bringup.runner.endings import Trip
from bringup.runner.feed import Feed
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.records import PollSample
from bringup.runner.typed import LETTERS, Wanted, type_in, value_of
from bringup.runner.work import Work

REGULATES = "constant voltage"
LIMITS = "current limit"


NOT_ASKED = Value(None, "", why="it was not asked for")


def ask_shown(work: Work, feed: Feed, current: Limits | None = None) -> PollSample:
    """Ask what the supply shows: volts, amps, and whether it limits the current. `current`: what is expected."""
    return _shown(work, feed, (Kind.VOLTAGE, Kind.CURRENT), current, ask_mode=True)


def ask_some(work: Work, feed: Feed, kinds: Collection[Kind]) -> PollSample:
    """Ask only for what a log needs: volts, amps, or both for watts."""
    asked = {Kind.VOLTAGE, Kind.CURRENT} if Kind.POWER in kinds else set(kinds)
    return _shown(work, feed, asked, None, ask_mode=False)


def _shown(work: Work, feed: Feed, kinds: Collection[Kind], current: Limits | None, *, ask_mode: bool) -> PollSample:
    volts = amps = NOT_ASKED
    if Kind.VOLTAGE in kinds:
        volts = _typed(work, f"{feed.input}: what voltage does the supply show?", Kind.VOLTAGE, None)
    if Kind.CURRENT in kinds:
        amps = _typed(work, f"{feed.input}: what current does the supply show?", Kind.CURRENT, current)
    mode = None
    if ask_mode:
        text = f"{feed.input}: what does the supply's lamp say?"
        prompt = Prompt(PromptKind.CHOICE, text, choices=(REGULATES, LIMITS), suggestion=REGULATES)
        mode = "current" if work.waits.answer(prompt).text == LIMITS else "voltage"
    return PollSample(
        monotonic=work.waits.clock.monotonic(),
        output=feed.output,
        volts=volts.number,
        amps=amps.number,
        mode=mode,
        over_range=bool(volts.over_range or amps.over_range),
        volts_raw=volts.raw,
        amps_raw=amps.raw,
    )


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


def trip_if_shown(feed: Feed, sample: PollSample) -> None:
    """Raise a Trip if the person says that the supply shows more than the board bears: nothing else would notice."""
    if sample.over_range:
        raise Trip(f"{feed.input}: the supply shows over range; that counts as above what damages the board")
    bounds = (
        ("V", sample.volts, feed.damage_above, "what damages it"),
        ("A", sample.amps, feed.trip_current, "its trip level"),
    )
    for unit, found, most, what in bounds:
        if found is not None and most is not None and abs(found) > most:
            raise Trip(f"{feed.input}: the supply shows {shown(found, unit)}, above {shown(most, unit)} ({what})")


def _typed(work: Work, text: str, kind: Kind, limits: Limits | None) -> Value:
    ceiling = work.power.ceiling.current if kind is Kind.CURRENT else work.power.ceiling.voltage
    wanted = Wanted(text, kind, limits=limits, most=None if ceiling is None else ceiling.number, letters=True)
    while True:
        typed = work.waits.result(type_in(work.setup.ask, wanted), "person", text)
        work.journal.troubles("supply", typed[2])
        if typed[1] not in LETTERS:
            return value_of(typed, kind)
        work.waits.on_key(typed[1])
