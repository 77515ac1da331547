"""A diagnosis in words: causes, what they would make a reading, what a reading resembles, where to look. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from math import isinf

from bringup.core.board import Board
from bringup.core.design_values import network_of, nominal_volts
from bringup.core.diagnosis import ALONE, Diagnosis, Next
from bringup.core.equations import equation
from bringup.core.evidence import Evidence, Seen
from bringup.core.faults import FaultKind
from bringup.core.likeness import FITS, OPEN_OHMS, Cause, Explained
from bringup.core.other_units import OtherUnits
from bringup.core.quantity import format_reading
from bringup.core.solver import unpowered_resistance
from bringup.core.suspects import Suspect, Way
from bringup.core.wording import shown

MOST_CAUSES = 4
LEAST_PROBABILITY = 0.01
MOST_NAMES = 4
CERTAIN = 0.99
RESEMBLES = 0.02
"""A reading within this fraction of a known voltage resembles it."""

UNITS = {Seen.OHMS: "ohm", Seen.AMPS: "A"}
LOOK_AT = {
    FaultKind.SHORTED_THROUGH: "solder bridges and parts turned round on {point}; feed 1 V through a current limit and "
    "look for what gets warm",
    FaultKind.NOT_FITTED: "the converter of {point}: fitted, the right way round, soldered, its input there",
    FaultKind.UPPER_OPEN: "the upper feedback resistor of {point}: missing, tombstoned, not soldered",
    FaultKind.UPPER_SHORTED: "the upper feedback resistor of {point}: bridged",
    FaultKind.UPPER_VALUE: "the upper feedback resistor of {point}: its marking, measured with power off",
    FaultKind.LOWER_OPEN: "the lower feedback resistor of {point}: missing, tombstoned, not soldered",
    FaultKind.LOWER_SHORTED: "the lower feedback resistor of {point}: bridged",
    FaultKind.LOWER_VALUE: "the lower feedback resistor of {point}: its marking, measured with power off",
    FaultKind.SWAPPED: "the feedback resistors of {point}: their markings and places",
    FaultKind.OTHER_PART: "the converter of {point}: its marking, and resistors that set it, against the parts list",
    FaultKind.PASSES_INPUT: "the converter of {point}: shorted, turned round, its feedback or ground pin open; the "
    "parts behind it may be damaged",
    FaultKind.CAPACITOR_MISSING: "the output capacitor of {point}: missing, not soldered, cracked, of the wrong value",
    FaultKind.EXCESS_LOAD: "what {point} feeds: a part turned round or the wrong one, firmware that runs already",
    FaultKind.LEADS_REVERSED: "the supply leads: swapped at one end",
    FaultKind.WRONG_VOLTAGE: "the supply and its leads: another output, a poor contact, a wrong setting",
    FaultKind.SENSE_OPEN: "the sense leads of the supply",
    FaultKind.BACK_FED: "what else is plugged in: a debug or USB lead, another board, a cell",
    FaultKind.CHARGED: "what holds a charge on {point}: a backup capacitor, a cell",
}

LOOK_AT_WAY = {
    Way.NOT_ENABLED: "what drives the enable pin of the converter of {point}: divider, jumper, sequencing, a joint",
    Way.NOT_SWITCHING: "the converter of {point}: inductor open, bootstrap or supply pin without volts",
    Way.OSCILLATING: "the loop of the converter of {point}: compensation parts, a feed-forward capacitor, an output "
    "capacitor of too high or too low an equivalent series resistance",
    Way.GIVING_UP: LOOK_AT[FaultKind.SHORTED_THROUGH],
}


def lines_of(board: Board, diagnosis: Diagnosis, others: OtherUnits = ALONE) -> Iterator[str]:
    """Yield the page, a line each, unbroken."""
    if not diagnosis.causes:
        yield "No reading of this attempt says anything of the board."
        return
    told = [cause for cause in diagnosis.causes if cause.probability >= LEAST_PROBABILITY][:MOST_CAUSES]
    first = told[0]
    if not first.fits:
        yield "No single fault of this board explains every reading. Closest:"
    for number, cause in enumerate(told, 1):
        yield f"{number}. {_names(cause)} ({_share(cause.probability)})"
        for one in _worth_saying(cause):
            yield f"   {_explained(one)}"
        found = equation(board, cause.suspects[0])
        if found:
            yield f"   {found}"
        if cause.suspects[0].fault is not None:
            yield f"   Look at: {look_at(cause.suspects[0])}."
        yield from (f"   {how}." for how in telling_apart(board, cause))
    yield from (f"{hint}." for hint in resemblances(board, first))
    if others.said:
        yield f"{others.said}."
    if diagnosis.next is not None and len(told) > 1:
        yield f"To tell 1 from 2: {_next(diagnosis.next)}."


def headline(diagnosis: Diagnosis) -> str:
    """Return the most likely cause in one line; '' where nothing on the board explains what was read."""
    if not diagnosis.causes:
        return ""
    first = diagnosis.causes[0]
    leader = first.suspects[0]
    if not first.fits or not blames(leader):
        return ""
    return f"{_names(first)} ({_share(first.probability)})"


def blames(suspect: Suspect) -> bool:
    """Whether it is anything but a sound unit that was read rightly."""
    return suspect.fault is not None or suspect.mistaken is not None or suspect.scale != 1.0


def look_at(suspect: Suspect) -> str:
    """Return what to look at for a fault."""
    assert suspect.fault is not None, "only a fault is to be looked for"
    words = LOOK_AT.get(suspect.fault.kind, "{point}") if suspect.way is None else LOOK_AT_WAY[suspect.way]
    return words.format(point=suspect.fault.point)


def telling_apart(board: Board, cause: Cause) -> Iterator[str]:
    """Say which readings at the part separate what no reading of the rails does (common practice, no source)."""
    if not blames(cause.suspects[0]):
        return
    ways = {suspect.way: suspect.fault.point for suspect in cause.suspects if suspect.way and suspect.fault}
    if (point := ways.get(Way.GIVING_UP)) is not None and len(ways) > 1:
        sound = unpowered_resistance(board, point)
        some = "" if isinf(sound) or not sound else f" (sound: some {shown(sound, 'ohm', 2)})"
        yield (
            f"First, with power off: the resistance of {point} to ground{some}. Low, it is shorted, and the converter "
            "gives up: it stays off, or tries again and again"
        )
    if (point := ways.get(Way.NOT_ENABLED)) is not None:
        source = board.rails[point].source
        volts = None if source is None else nominal_volts(board, source)
        there = "its volts" if volts is None else f"some {shown(abs(volts), 'V', 3)}"
        at_output = "switch node by a scope (still, though enabled: it does not switch)"
        if Way.NOT_SWITCHING not in ways:
            at_output = "output pin (volts there, none at the probe: the way between them is open)"
        yield (
            f"No rail tells these apart; at the converter of {point}, with power on, do: its input pin ({there}, else "
            f"they do not reach it), its enable pin (low: not enabled), its {at_output}; all in order and no output: "
            "not soldered, or dead. Fine tip, one hand: a slip shorts neighbouring pins"
        )
    if (point := ways.get(Way.OSCILLATING)) is not None:
        converter = board.rails[point].converter
        if converter is not None and converter.linear:
            yield (
                f"The converter of {point} is linear: without its output capacitor, or with one of another equivalent "
                "series resistance than its data sheet asks for, it oscillates. Look whether that is fitted; then, "
                "power off, solder one as the data sheet asks for across it: calm with it, it was that"
            )
            return
        yield (
            f"A scope on {point}, ground spring, tells these apart: ripple at the switching frequency speaks for the "
            "capacitor, slower waves or bursts, changing with load, for a loop that oscillates"
        )


def resemblances(board: Board, cause: Cause) -> Iterator[str]:
    """Say what a failed voltage resembles: its converter's reference, what feeds it; and what too little current does.

    Where every rail is right (common practice).
    """
    failed = [each for each in cause.readings if each.evidence.failed]
    if not blames(cause.suspects[0]) and all(each.evidence.seen is Seen.AMPS for each in failed):
        for each in failed:
            if each.evidence.value < each.predicted:
                yield (
                    f"{_value(each.evidence)} at {each.evidence.point} is less than its loads take, with every rail "
                    "right: something does not run (held in reset, no clock, no firmware) or is not fitted"
                )
    for each in cause.readings:
        one = each.evidence
        if one.seen is not Seen.VOLTS or not one.failed or one.point not in board.rails:
            continue
        rail = board.rails[one.point]
        network = None if rail.converter is None else network_of(rail.converter)
        value = abs(one.value)
        if network is not None and abs(value - network[0]) <= RESEMBLES * network[0]:
            yield f"{_value(one)} at {one.point} is its {shown(network[0], 'V')} reference: its feedback has no gain"
            continue
        source = _source_volts(board, one)
        if source and abs(value - source) <= RESEMBLES * source:
            yield f"{_value(one)} at {one.point} is what feeds it ({rail.source}): its converter regulates nothing"


def _source_volts(board: Board, one: Evidence) -> float:
    source = board.rails[one.point].source
    if source is None:
        return 0.0
    return abs(one.inputs.get(source, nominal_volts(board, source) or 0.0))


def _names(cause: Cause) -> str:
    # What reads like a sound unit (leads, seen only at their free ends) is not worth naming beside one.
    names = [suspect.name for suspect in cause.suspects if blames(cause.suspects[0]) or not blames(suspect)]
    more = f", or {len(names) - MOST_NAMES} more like them" if len(names) > MOST_NAMES else ""
    return ", or ".join(names[:MOST_NAMES]) + more


def _share(probability: float) -> str:
    if probability > CERTAIN:
        return "over 99 %"
    return f"{100 * probability:.0f} %"


def _worth_saying(cause: Cause) -> list[Explained]:
    """The readings that failed, and those that the cause does not explain; never more than four."""
    failed = [each for each in cause.readings if each.evidence.failed and each.distance <= FITS]
    unexplained = sorted((each for each in cause.readings if each.distance > FITS), key=lambda each: -each.distance)
    return [*failed[:2], *unexplained[:2]]


def _explained(each: Explained) -> str:
    one = each.evidence
    unit = UNITS.get(one.seen, "V")
    if one.seen is Seen.RIPPLE:
        does = "explains" if each.distance <= FITS else "does NOT explain"
        return f"{does} ripple of {one.point}: {_value(one)} is {'too much' if one.failed else 'within its limits'}"
    would = "no path to ground" if each.predicted > OPEN_OHMS else shown(each.predicted, unit)
    with_inputs = ", ".join(f"{name} at {shown(volts, 'V', 3)}" for name, volts in one.inputs.items())
    under = f" with {with_inputs}" if with_inputs and one.point not in one.inputs else ""
    verdict = "explains" if each.distance <= FITS else "does NOT explain"
    what = {Seen.AMPS: "current of ", Seen.OHMS: "resistance of ", Seen.LEADS: "free leads of "}.get(one.seen, "")
    return f"{verdict} {what}{one.point}{under}: would be {would}, is {_value(one)}"


def _value(one: Evidence) -> str:
    return format_reading(one.value, UNITS.get(one.seen, "V"), one.resolution or None)


def _next(following: Next) -> str:
    unit = UNITS.get(following.seen, "V")
    if following.seen is Seen.RIPPLE:
        much, other = (1, 2) if isinf(following.predictions[0]) else (2, 1)
        return f"measure the ripple of {following.point} by a scope: much of it speaks for {much}, little for {other}"
    ask = {
        Seen.OHMS: f"measure the resistance of {following.point} to ground, power off",
        Seen.AMPS: f"read the current of {following.point}",
    }.get(following.seen, f"measure the volts of {following.point}")
    first, second = (("none" if value > OPEN_OHMS else shown(value, unit, 3)) for value in following.predictions)
    return f"{ask}: about {first} speaks for 1, {second} for 2"
