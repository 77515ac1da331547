"""The input at the board itself, once per board state and power-up: what the leads lose between supply and board."""

from __future__ import annotations

from dataclasses import replace

from bringup.core.expectation import voltage_limits
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading, new_id
from bringup.core.replies import Value
from bringup.core.wording import shown
from bringup.core.words import How, Kind, Result
from bringup.runner.damage import spoiled, trip_if_damaging
from bringup.runner.feed import Feed
from bringup.runner.hands_free import PointLeftOut, by_hand, hands_free
from bringup.runner.lead_loss import against_set
from bringup.runner.measuring import IN_LIMIT, around_of, sample_volts, settled
from bringup.runner.records import PollSample
from bringup.runner.roles import Function
from bringup.runner.work import AT_LEADS, RECORDED, Judged, Work

AT_BOARD, SUPPLY_LEADS = "at the board", "supply leads"
LEAST_DROP = 0.002
"""Volts between supply and board below which nothing is said about the leads where no resolution is known."""
FEW = 3
"""Resolutions of supply and meter together that a difference of the two may be off by (common practice, no source)."""
ODD_LEADS = 0.5
"""Ohms: sound leads have less (common practice, no source)."""


def measure_at_board(work: Work, feed: Feed, shown: PollSample | None = None) -> None:
    """Measure an input at the board beside what the supply reports, and note the leads' resistance.

    `shown`: what a person read off a supply by hand; otherwise the supply is asked beside the meter.
    """
    if not due(work, feed):
        return
    limits, limits_from = voltage_limits(work.board, feed.input)
    if hands_free(work, feed.input):
        try:
            found = by_hand(work, feed.input, limits)
        except PointLeftOut as choice:
            work.journal.event("probe", f"{feed.input} was not measured at the board: {choice.why}")
            work.inputs_seen[_seen(work, feed)] = None
            return
    else:
        work.hands.probe(feed.input)
        found = settled(work, Function.DC_VOLTS, feed.input, around=around_of(limits), limits=limits)
    judged = Judged(limits, limits_from)
    if spoiled(work, feed.input, found):
        judged = Judged(limits, limits_from, Result.NOT_JUDGED, IN_LIMIT)
        work.tally.missing.append(f"{feed.input} at the board: {IN_LIMIT}")
    judged = against_set(work, feed, found, judged)
    reading = work.keep_settled(feed.input, Kind.VOLTAGE, found, judged, aspect=AT_BOARD)
    trip_if_damaging(work, feed.input, found.value)
    note_leads(work, feed, reading, found.beside or shown)


def due(work: Work, feed: Feed) -> bool:
    """Whether the input is still to be measured at the board in this board state, at these volts."""
    return (
        _seen(work, feed) not in work.inputs_seen
        and work.setup.meter is not None
        and bool(work.board.inputs[feed.input].probe)
    )


def _seen(work: Work, feed: Feed) -> tuple[str, str | None, float]:
    return feed.input, work.state, feed.volts


def note_leads(work: Work, feed: Feed, reading: Reading, beside: PollSample | None) -> None:
    """Note what the supply leads come to by an input read at the board and what the supply showed beside it."""
    beside = None if beside is None else _as_corrected(work, feed, beside)
    work.inputs_seen[_seen(work, feed)] = beside
    _derive(work, feed, reading, beside, None)


def _as_corrected(work: Work, feed: Feed, beside: PollSample) -> PollSample:
    """Return what a person read off the supply, as it was corrected since."""
    for each in work.journal.readings:
        if each.replaces is None or (each.point, each.instrument, each.step) != (
            feed.input,
            "supply",
            work.this_step.index,
        ):
            continue
        old = next(old for old in work.journal.readings if old.id == each.replaces)
        if each.kind is Kind.VOLTAGE and old.raw == beside.volts_raw:
            beside = replace(beside, volts=each.value, volts_raw=each.raw)
        elif each.kind is Kind.CURRENT and old.raw == beside.amps_raw:
            beside = replace(beside, amps=each.value, amps_raw=each.raw)
    return beside


def derive_again(work: Work, old: Reading, new: Reading) -> None:
    """Work the leads out again where the volts at the board that they rest on were typed wrongly."""
    feed = None if new.point is None else work.power.feed_of(new.point)
    if feed is None or new.kind is not Kind.VOLTAGE or new.instrument != "meter" or new.aspect == AT_LEADS:
        return
    beside = work.inputs_seen.get(_seen(work, feed))
    since = [each for each in work.journal.readings if each.monotonic >= old.monotonic and each.point == new.point]
    replaced = {each.replaces for each in since}
    derived = (each for each in reversed(since) if each.aspect == SUPPLY_LEADS and each.id not in replaced)
    _derive(work, feed, new, beside, next(derived, None))


def _derive(work: Work, feed: Feed, reading: Reading, beside: PollSample | None, former: Reading | None) -> None:
    """Keep what the leads come to, in the place of what it was worked out to be before it was corrected."""
    if reading.value is None or beside is None or beside.volts is None or not beside.amps:
        if former is not None:
            _keep(work, feed, Value(None, "", why="what it was worked out from has no value"), beside, former)
        return
    drop = beside.volts - abs(reading.value)
    resolution = (reading.resolution or 0.0) + (sample_volts(beside).resolution or LEAST_DROP)
    if abs(drop) <= FEW * resolution:
        text = f"the supply leads of {feed.input} come to {at_most(drop, resolution, beside.amps)}"
        why = "the drop is no more than supply and meter may differ by"
        work.journal.event("leads", f"{text}: {why}")
        if former is not None:
            _keep(work, feed, Value(None, "", why=why), beside, former)
        return
    ohms = drop / beside.amps
    raw = f"({beside.volts_raw or beside.volts} V - {reading.raw} V) / {beside.amps_raw or beside.amps} A"
    _keep(work, feed, Value(ohms, raw, FEW * resolution / beside.amps), beside, former)
    if not 0 <= ohms <= ODD_LEADS:
        found_text = format_quantity(ohms, "ohm", resolution=resolution / beside.amps)
        work.journal.event("leads", f"the supply leads of {feed.input} come to {found_text}: look at their ends")


def _keep(work: Work, feed: Feed, value: Value, beside: PollSample | None, former: Reading | None) -> None:
    """Keep a resistance of the leads; one that there is none of any more takes the place of the one there was."""
    if former is None:
        work.keep(feed.input, Kind.RESISTANCE, value, RECORDED, how=How.DERIVED, aspect=SUPPLY_LEADS, beside=beside)
        return
    at, monotonic = work.journal.now()
    anew = replace(former, id=new_id(), replaces=former.id, at=at, monotonic=monotonic, note=value.why)
    result = Result.NOT_JUDGED if value.number is None else former.result
    work.journal.reading(replace(anew, value=value.number, raw=value.raw, resolution=value.resolution, result=result))


def at_most(drop: float, resolution: float, amps: float) -> str:
    """Return the most that leads can have whose drop (V) cannot be told from none, in words: '< 340 mΩ'."""
    return f"< {shown((max(0.0, drop) + FEW * resolution) / abs(amps), 'ohm', 2)}"
