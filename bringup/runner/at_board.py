"""The input at the board itself, once per board state and power-up: what the leads lose between supply and board."""

from __future__ import annotations

from bringup.core.expectation import voltage_limits
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.wording import shown
from bringup.core.words import How, Kind, Result
from bringup.runner.damage import spoiled, trip_if_damaging
from bringup.runner.feed import Feed
from bringup.runner.lead_loss import against_set
from bringup.runner.measuring import IN_LIMIT, around_of, sample_volts, settled
from bringup.runner.records import PollSample
from bringup.runner.roles import Function
from bringup.runner.work import RECORDED, Judged, Work

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
    seen = (feed.input, work.state, feed.volts)
    if seen in work.inputs_seen or work.setup.meter is None or not work.board.inputs[feed.input].probe:
        return
    work.inputs_seen.add(seen)
    work.hands.probe(feed.input)
    limits, limits_from = voltage_limits(work.board, feed.input)
    found = settled(work, Function.DC_VOLTS, feed.input, around=around_of(limits), limits=limits)
    judged = Judged(limits, limits_from)
    if spoiled(work, feed.input, found):
        judged = Judged(limits, limits_from, Result.NOT_JUDGED, IN_LIMIT)
        work.tally.missing.append(f"{feed.input} at the board: {IN_LIMIT}")
    judged = against_set(work, feed, found, judged)
    reading = work.keep_settled(feed.input, Kind.VOLTAGE, found, judged, aspect="at the board")
    trip_if_damaging(work, feed.input, found.value)
    beside = found.beside or shown
    if reading.value is None or beside is None or beside.volts is None or not beside.amps:
        return
    drop = beside.volts - abs(reading.value)
    resolution = (reading.resolution or 0.0) + (sample_volts(beside).resolution or LEAST_DROP)
    if abs(drop) <= FEW * resolution:
        text = f"the supply leads of {feed.input} come to {at_most(drop, resolution, beside.amps)}"
        work.journal.event("leads", f"{text}: the drop is no more than supply and meter may differ by")
        return
    ohms = drop / beside.amps
    raw = f"({beside.volts_raw or beside.volts} V - {reading.raw} V) / {beside.amps_raw or beside.amps} A"
    work.keep(
        feed.input,
        Kind.RESISTANCE,
        Value(ohms, raw, FEW * resolution / beside.amps),
        RECORDED,
        how=How.DERIVED,
        aspect="supply leads",
        beside=beside,
    )
    if not 0 <= ohms <= ODD_LEADS:
        found_text = format_quantity(ohms, "ohm", resolution=resolution / beside.amps)
        work.journal.event("leads", f"the supply leads of {feed.input} come to {found_text}: look at their ends")


def at_most(drop: float, resolution: float, amps: float) -> str:
    """Return the most that leads can have whose drop (V) cannot be told from none, in words: '< 340 mΩ'."""
    return f"< {shown((max(0.0, drop) + FEW * resolution) / abs(amps), 'ohm', 2)}"
