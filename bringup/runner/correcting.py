"""Taking back what a person typed or chose last: the old answer stays in the logbook beside the new one.

What is put in its place goes through everything that the first one went through: doubts, judging, what damages, trips.
A claim about an output that was wrong ends the attempt: whatever was done since rested on it.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.entry import doubts, read_entry
from bringup.core.expectation import limits_of
from bringup.core.limits import Limits
from bringup.core.quantity import format_reading
from bringup.core.reading import AT_LEADS, BEFORE_OHMS, Reading
from bringup.core.replies import Value
from bringup.core.spots import METER_LEADS, spot_of
from bringup.core.statistics_of_log import MAXIMUM, MINIMUM
from bringup.core.words import PASSED, How, Kind, LimitsFrom, Result
from bringup.errors import NotationError
from bringup.runner.at_board import derive_again
from bringup.runner.by_hand import HandSupply
from bringup.runner.claims import LIMITS, cut_if_shown, stayed_limited
from bringup.runner.damage import cut_if_damaging
from bringup.runner.endings import BrokenOff, Trip
from bringup.runner.evidence import Claim
from bringup.runner.lead_loss import against_set
from bringup.runner.meter_leads import leads_at, less_leads, take_off
from bringup.runner.ohms import judge_ohms
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.records import PollSample
from bringup.runner.roles import Trouble
from bringup.runner.typed import corrected
from bringup.runner.uncertain import anew
from bringup.runner.work import Judged, Settled, Work, judged_result


def correct(work: Work) -> None:
    """Take back the last thing typed or chosen. Raises a Trip or BrokenOff where that was what power rested on."""
    old = None if work.step is None else last_typed(work.journal.readings)
    claim = _last_claim(work, old)
    beside = max(work.evidence.beside, key=lambda each: each.typed_last(), default=None)
    since = [each.monotonic for each in (old, claim) if each is not None]
    if beside is not None and beside.typed_last() >= max(since, default=0.0):
        beside.correct()
        return
    if claim is not None and _taken_back(work, claim):
        return
    if old is not None:
        _corrected(work, old)
    elif claim is None:
        work.journal.show("event", "c: nothing was typed yet that could be corrected", kind="key")


def last_typed(readings: list[Reading]) -> Reading | None:
    """Return the latest typed reading that no later one replaces; None if nothing was typed.

    What is typed as samples of a log is put right as such.
    """
    replaced = {reading.replaces for reading in readings} | {
        each.id for each in readings if each.aspect.startswith((MINIMUM, MAXIMUM))
    }
    typed = (each for each in reversed(readings) if each.how is How.TYPED and each.id not in replaced)
    return next(typed, None)


def _last_claim(work: Work, old: Reading | None) -> Claim | None:
    """Return what was chosen of the supply last, if nothing was typed since."""
    lamp, supply = work.evidence.lamp, work.setup.supply
    said = supply.said if isinstance(supply, HandSupply) else None
    if lamp is not None and (said is None or said.monotonic <= lamp.monotonic):
        since = work.journal.readings[lamp.readings :]
        return None if any(each.how is How.TYPED and each.instrument != "supply" for each in since) else lamp
    return said if said is not None and (old is None or said.monotonic >= old.monotonic) else None


def _taken_back(work: Work, claim: Claim) -> bool:
    """Ask for a claim anew. Returns whether another answer was given; raises what that means."""
    asked = f"{claim.answer!r} was the answer to: {claim.prompt.text} What is true? (Enter alone keeps it)"
    prompt = replace(claim.prompt, text=asked, lines=(), suggestion=claim.answer, optional=True)
    answer = work.waits.answer(prompt).text
    if not answer or answer == claim.answer:
        return False
    text = f"{claim.prompt.text} {claim.answer!r} was taken back: {answer}"
    work.journal.event("taken-back", text, {"first": claim.answer, "then": answer})
    if claim.lamp is not None:
        feed, sample = claim.lamp
        work.evidence.lamp = replace(claim, answer=answer)
        if answer == LIMITS and work.power.feed_of(feed.input) is not None:
            raise stayed_limited(feed, sample)
        return True
    supply = work.setup.supply
    assert isinstance(supply, HandSupply), "only of a supply by hand is it claimed whether it is on"
    supply.forget(claim.outputs)
    supply.said = None
    work.power.claim(claim.outputs)
    work.power.off_verified = False
    work.watch.unless_spared(BrokenOff(f"{text}; everything since rested on the first answer"))
    return True


def _corrected(work: Work, old: Reading) -> None:
    """Have the value typed again; one that looks like a slip is asked for once more, as at first."""
    name = " ".join(part for part in (old.point, old.aspect, old.kind.value) if part)
    shown = _as_typed(work, old)
    asked = f"{name} was typed as {format_reading(shown, old.unit, old.resolution)}. What is it? (Enter keeps it)"
    lines: tuple[str, ...] = ()
    doubted = False
    while True:
        text = work.waits.answer(Prompt(PromptKind.TEXT, asked, lines=lines, optional=True)).text.strip()
        if not text:
            return
        at, monotonic = work.journal.now()
        try:
            new = corrected(old, text, at=at, monotonic=monotonic)
        except NotationError as error:
            lines = tuple(filter(None, (error.message, error.what_to_do)))
            continue
        slips = doubts(read_entry(text, old.kind), old.kind, old.limits)
        if slips and not doubted:
            doubted, lines = True, (f"{text}: {'; '.join(slips)}", "Look again, and type what is shown.")
            continue
        if slips:
            work.journal.troubles(old.instrument, (Trouble("typed", f"{text} stands although {'; '.join(slips)}"),))
        _take(work, old, new)
        return


def _take(work: Work, old: Reading, new: Reading) -> None:
    """Judge what was typed in another one's place, keep it, and act on it."""
    value = _value(new)
    if new.kind is Kind.RESISTANCE and new.aspect == METER_LEADS and new.value is not None:
        take_off(work, new.value)
    elif new.kind is Kind.RESISTANCE and new.point is not None:
        value = less_leads(work, spot_of(new.point, new.aspect), value)
        new = replace(new, value=value.number)
    if (judged := _judged(work, new, value)) is not None:
        result = judged_result(value, judged, unsettled=new.unsettled)
        new = replace(
            new, limits=judged.limits, limits_from=judged.limits_from, result=result, note=judged.note or value.why
        )
    new = anew(work, new, value, judged)
    trip = _cut(work, new, value)
    work.replace(old, new)
    if new.kind is Kind.VOLTAGE and new.point is not None and new.aspect.endswith(BEFORE_OHMS):
        work.evidence.look_again(new.point)
    derive_again(work, old, new)
    plain = new.point is not None and spot_of(new.point, new.aspect).plain
    if new.kind is Kind.RESISTANCE and plain and new.point is not None and new.result in (*PASSED, Result.RECORDED):
        work.evidence.trust_resistance(new.point)
    if trip is not None:
        raise trip


def _cut(work: Work, new: Reading, value: Value) -> Trip | None:
    """Cut power for what the board does not bear. Returns the Trip."""
    volts, amps = new.kind is Kind.VOLTAGE, new.kind is Kind.CURRENT
    if new.point is None:
        return None
    if volts and (trip := cut_if_damaging(work, new.point, value)) is not None:
        return trip
    feed = work.power.feed_of(new.point)
    if new.instrument != "supply" or feed is None:
        return None
    seen = (new.value if volts else None), (new.value if amps else None)
    return cut_if_shown(work, feed, PollSample(new.monotonic, feed.output, *seen, over_range=bool(value.over_range)))


def _as_typed(work: Work, old: Reading) -> float | None:
    """Return the value as it was typed: ohms are kept without those of the meter's leads."""
    if old.value is None or old.kind is not Kind.RESISTANCE or old.aspect == METER_LEADS or old.point is None:
        return old.value
    return old.value + (leads_at(work, spot_of(old.point, old.aspect)) or 0.0)


def _value(new: Reading) -> Value:
    over = read_entry(new.raw, new.kind).over_range
    return Value(new.value, new.raw, new.resolution, over, why="over range" if over else "")


def _judged(work: Work, new: Reading, value: Value) -> Judged | None:
    """Return by what it is judged where more than its limits decides; None where these do."""
    if new.point is None or work.step is None:
        return None
    step = work.setup.procedure.steps[new.step]
    if new.kind is Kind.RESISTANCE and new.how is How.TYPED:
        spot = spot_of(new.point, new.aspect)
        limits, origin = limits_of(step, spot.name, work.board, work.state)
        return judge_ohms(work, spot, value, limits, origin)
    feed = work.power.feed_of(new.point)
    at_board = new.kind is Kind.VOLTAGE and new.instrument == "meter" and new.point in work.board.inputs
    if at_board and feed is not None and new.result is not Result.NOT_JUDGED and new.aspect != AT_LEADS:
        limits, origin = _first_limits(work, new)
        return against_set(work, feed, Settled(value), Judged(limits, origin))
    return None


def _first_limits(work: Work, new: Reading) -> tuple[Limits | None, LimitsFrom]:
    """Return the limits of an input before what its leads may lose was taken into account."""
    if new.limits_from is not LimitsFrom.RULE:
        return new.limits, new.limits_from
    step = work.setup.procedure.steps[new.step]
    assert new.point is not None
    return limits_of(step, new.point, work.board, work.state)
