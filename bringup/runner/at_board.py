"""The input at the board itself, once per board state and power-up: what the leads lose between supply and board."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

from bringup.core.accuracy import OF_METER, OF_SUPPLY
from bringup.core.bench import LEADS_AT_MOST
from bringup.core.expectation import voltage_limits
from bringup.core.reading import AT_LEADS, SUPPLY_LEADS, Reading, new_id
from bringup.core.replies import Value
from bringup.core.wording import shown
from bringup.core.words import How, Kind, Result
from bringup.runner.damage import spoiled, trip_if_damaging
from bringup.runner.feed import Feed
from bringup.runner.hands_free import PointLeftOut, by_hand, hands_free
from bringup.runner.lead_loss import against_set
from bringup.runner.measuring import IN_LIMIT, sample_volts, settled
from bringup.runner.records import PollSample
from bringup.runner.roles import Function
from bringup.runner.sureness import around_of
from bringup.runner.work import RECORDED, Judged, Work

AT_BOARD = "at the board"
LEAST_DROP = 0.002
"""Volts between supply and board below which nothing is said about the leads where no resolution is known."""
FEW = 3
"""Resolutions of supply and meter together that a difference of the two may be off by (common practice, no source)."""
NEAR = 0.05
"""Part by which the volts at the free leads may differ for what was found there to hold."""


def measure_at_board(work: Work, feed: Feed, read_off: PollSample | None = None) -> None:
    """Measure an input at the board beside what the supply reports, and note the leads' resistance.

    `read_off`: what a person read off a supply by hand; otherwise the supply is asked beside the meter.
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
    note_leads(work, feed, reading, found.beside or read_off)


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
    apart, off = _compared(work, feed, reading, beside)
    drop = beside.volts - abs(reading.value) - apart
    if feed.remote_sense:
        _sensed(work, feed, drop, off)
        return
    if abs(drop) <= off:
        text = f"the supply leads of {feed.input} come to {at_most(drop, off, beside.amps)}"
        why = "the drop is no more than supply and meter may differ by"
        work.journal.event("leads", f"{text}: {why}")
        if former is not None:
            _keep(work, feed, Value(None, "", why=why), beside, former)
        return
    amps = abs(beside.amps)
    ohms = drop / amps
    less = f" - {shown(apart, 'V', 3)} (apart at the free leads)" if apart else ""
    raw = f"({beside.volts_raw or beside.volts} V - {reading.raw} V{less}) / {beside.amps_raw or beside.amps} A"
    _keep(work, feed, Value(ohms, raw, off / amps), beside, former)
    _too_much(work, feed, ohms, off / amps)


def _compared(work: Work, feed: Feed, reading: Reading, beside: PollSample) -> tuple[float, float]:
    """Return by how much supply and meter are known to differ (V), and how far their difference may be off beyond that.

    Known is what they differed by at the free leads, nothing drawn, at nearly these volts: then only their digits are
    in doubt. Else both limits of error are, as the bench file states them or as plain instruments keep them.
    """
    digits = FEW * ((reading.resolution or 0.0) + (sample_volts(beside).resolution or LEAST_DROP))
    known = work.evidence.apart.get(feed.input)
    if known is not None and abs(known[0] - feed.volts) <= NEAR * feed.volts:
        return known[1], math.sqrt(2) * digits  # two comparisons, each as good as its digits
    bench, at = work.setup.bench, Decimal(repr(feed.volts))
    role = bench.supply_of(feed.input)
    supply = None if role is None else role.accuracy
    meter = None if bench.meter is None else bench.meter.accuracy
    return 0.0, max(digits, float((supply or OF_SUPPLY).at(at) + (meter or OF_METER).at(at)))


def _too_much(work: Work, feed: Feed, ohms: float, off: float) -> None:
    """Point out leads of more ohms than they may have, or of fewer than none."""
    role = work.setup.bench.supply_of(feed.input)
    most = LEADS_AT_MOST if role is None else role.leads_at_most
    found = f"the supply leads of {feed.input} come to {shown(ohms, 'ohm', 3)}"
    if ohms - off > most:
        text = f"{found}, more than {shown(most, 'ohm')}: look at the leads and their ends"
        if feed.input not in work.warnings:  # what they lose is told there already
            work.warnings[f"{feed.input} leads"] = text
        work.journal.event("leads", text)
    elif ohms < 0:
        work.journal.event("leads", f"{found}: the board reads more than the supply, so one of the two is off")


def _sensed(work: Work, feed: Feed, drop: float, off: float) -> None:
    """A supply that senses at the board should read what the meter reads there; its leads' ohms do not show."""
    if abs(drop) <= off:
        return
    text = (
        f"{feed.input} at the board differs by {shown(drop, 'V', 3)} from what the supply senses there: "
        "a sense lead is open, loose or on another point"
    )
    work.warnings.setdefault(f"{feed.input} sense", text)
    work.journal.event("leads", text)


def _keep(work: Work, feed: Feed, value: Value, beside: PollSample | None, former: Reading | None) -> None:
    """Keep a resistance of the leads; one that there is none of any more takes the place of the one there was."""
    if former is None:
        work.keep(feed.input, Kind.RESISTANCE, value, RECORDED, how=How.DERIVED, aspect=SUPPLY_LEADS, beside=beside)
        return
    at, monotonic = work.journal.now()
    anew = replace(former, id=new_id(), replaces=former.id, at=at, monotonic=monotonic, note=value.why)
    result = Result.NOT_JUDGED if value.number is None else former.result
    work.journal.reading(replace(anew, value=value.number, raw=value.raw, resolution=value.resolution, result=result))


def at_most(drop: float, off: float, amps: float) -> str:
    """Return the most that leads can have whose drop (V) cannot be told from none, in words: '< 340 mΩ'.

    `off`: how far the drop may be off (V).
    """
    return f"< {shown((max(0.0, drop) + off) / abs(amps), 'ohm', 2)}"
