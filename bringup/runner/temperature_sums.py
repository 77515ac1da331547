"""What temperatures beside a `log` come to: typed ones as they were read and put right, and the statistics of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bringup.core.beside_log import Temperature
from bringup.core.entry import read_entry
from bringup.core.limits import Limits
from bringup.core.procedure import Channel, Log
from bringup.core.quantity import format_reading
from bringup.core.reading import Reading
from bringup.core.replies import Value
from bringup.core.words import UNIT_OF, How, Kind, LimitsFrom
from bringup.errors import NotationError
from bringup.runner.log_trace import JudgeOf, Trace, statistics
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.work import Judged, Work

UNIT = UNIT_OF[Kind.TEMPERATURE]
LOWEST, HIGHEST = -60.0, 100.0
"""degC between which most spots on a board at work lie (common practice, no source); beyond, it is asked once more."""
BY = "person"
"""Instrument of what was typed."""


@dataclass(slots=True)
class Entry:
    """One temperature that was typed. `moment`: whose it is; `entered`: when it was typed, or put right last."""

    of: Temperature
    value: Value
    moment: float
    entered: float


def read_temperature(text: str) -> Value | tuple[str, ...]:
    """Return what was typed as a value, else what is wrong with it."""
    try:
        entry = read_entry(text, Kind.TEMPERATURE)
    except NotationError as error:
        return (error.message, *filter(None, (error.what_to_do,)))
    if entry.unit != UNIT or entry.value is None:
        return (f"{text} is no temperature in °C",)
    return Value(entry.value, text, entry.resolution)


def outside(value: Value) -> str:
    """Say that it lies where no spot of a board at work does; '' where it does not."""
    assert value.number is not None, "what was typed as a temperature has a value"
    return "" if LOWEST <= value.number <= HIGHEST else f"outside {LOWEST:g} °C .. {HIGHEST:g} °C"


def asked_again(entry: Entry, remark: tuple[str, ...]) -> Prompt:
    """Return the question that puts one right."""
    shown = format_reading(entry.value.number, UNIT, entry.value.resolution)
    text = f"{entry.of.text} was typed as {shown}. What is it? (Enter keeps it)"
    return Prompt(PromptKind.TEXT, text, remark, optional=True)


def trace_of(work: Work, each: Temperature, before: Trace | None = None) -> Trace:
    """Return an empty trace of a spot. `before`: the one in whose place it comes."""
    limits = work.this_step.expect.get(each.text) if before is None else before.limits
    return Trace(Channel(each.spot, Kind.TEMPERATURE, each.text), None, limits)


def named(action: Log, text: str) -> Mapping[str, Mapping[str, Limits]]:
    """Return what is judged of this one; limits without a name are for what the log follows."""
    return {statistic: {text: of[text]} for statistic, of in action.judging.items() if text in of}


def sum_up(work: Work, action: Log, each: Temperature, trace: Trace, begun: float) -> dict[str, Reading]:
    """Keep the statistics of one spot, and return them by name."""
    limits = trace.limits
    origin = LimitsFrom.NONE if limits is None else LimitsFrom.PROCEDURE
    instrument = "meter" if each.by_meter else BY
    if trace.missed:
        work.tally.missing.append(f"{each.text}: {trace.missed} of {trace.missed + trace.seen.count} have no value")
    if trace.least is None:
        why = "the meter gave none" if each.by_meter else "nobody typed it"
        nothing, judged = Value(None, "", why=why), Judged(limits, origin)
        work.keep(None, Kind.TEMPERATURE, nothing, judged, instrument=instrument, aspect=f"at {each.spot}")
        return {}
    judge = JudgeOf(named(action, each.text), trace.channel, Judged(limits, origin), limited=False)
    typed = How.READ if each.by_meter and not work.meter.by_hand else How.TYPED
    return {
        aspect: work.keep(
            None,
            Kind.TEMPERATURE,
            value,
            judge.of(aspect, note),
            instrument=instrument,
            how=How.DERIVED if at is None else typed,
            aspect=f"{aspect} at {each.spot}",
            at=at,
        )
        for aspect, value, note, at in statistics(trace, named(action, each.text), begun)
    }
