"""What may be wrong with a unit, given what was read. Pure.

Every single fault of the board, some more whose values are fitted to the readings, and mistakes of measuring.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from enum import StrEnum
from math import isinf

from bringup.core.board import Across, Board, Converter, ConverterKind
from bringup.core.circuit import limit_amps
from bringup.core.design_values import far_and_near, network_of, nominal_volts, number_or
from bringup.core.evidence import Evidence, Seen
from bringup.core.fault_check import why_impossible
from bringup.core.faults import Fault, FaultKind
from bringup.core.frozen import frozen
from bringup.core.mistaken import meter_mistakes
from bringup.core.other_parts import FIXED, REFERENCES, other_parts
from bringup.core.single_faults import HARD_SHORT, said, single_faults
from bringup.core.solver import solve, unpowered_resistance
from bringup.core.wording import shown

FITTED = 0.3
"""How likely a value is that nobody would expect (fitted to a reading), beside one of the usual mistakes."""
HOW_OFTEN = {
    FaultKind.UPPER_VALUE: 0.05,
    FaultKind.LOWER_VALUE: 0.05,
    FaultKind.SWAPPED: 0.5,
    FaultKind.OTHER_PART: 0.2,
    FaultKind.PASSES_INPUT: 0.2,
}
"""The same by kind. A fitted resistor explains any voltage, so it must not outdo what explains this one only; a probe
on the wrong rail reads what another part or one that passes its input does, and is to be ruled out first (common
practice)."""
ONLY_IF_POINTED_TO = {FaultKind.SWAPPED, FaultKind.OTHER_PART, FaultKind.PASSES_INPUT}
LATER = 0.1
"""The same of a short that came with power: it explains any rail that is low, whatever its ohms were before."""
NO_CURRENT = 10.0
"""The same of an ammeter that shows nothing while rails stand: hardly anything else does that."""
SOUND = 300.0
"""How much likelier a sound unit is than any one fault: many faults move little, and most units are sound."""
SOUND_THAT_FAILED = 10.0
"""The same where a reading missed its limits: most sound units miss none."""
LOW_ENOUGH = 0.7
"""A resistance below this fraction of the sound one may be a short."""
TELLS_NOTHING = 1e3
"""From so many ohms on, a net of which the board file states no ohms may well be sound: that may be parts which it does
not name (chosen, no source)."""
LIKE_ANOTHER = 0.03
"""A reading within this fraction of what another rail should read may have been taken there."""
HARMLESS = 0.05
"""Volts with everything off that are no sign of anything."""
AS_STATED = 0.03
"""A fitted value within this fraction of the right one is the right one."""
LEAST_GAIN = 0.005
"""A fitted value that leaves less of the feedback's gain than this fraction reads like a shorted or an open one: a
hundredth of the right value (4.7 kOhm for 470 kOhm) still does not."""
PULLED_FROM, PULLED_TO = 0.02, 0.97
"""Between these fractions of its sound volts a rail may be pulled down by a short."""
SHORTS = (0.01, 1e4)
"""Ohms between which such a short is looked for ..."""
HALVINGS = 14
"""... halving the ratio between them so often: to a part in a thousand."""
FEED_OHMS = 100.0
"""In series with what feeds a point from outside, as `FaultKind.BACK_FED` has it."""
UNTOUCHED = 0.02
"""A reading below this fraction of what a rail should read may be that of a probe on nothing."""


class Way(StrEnum):
    """In which way a fault came about that reads like another one. The text is its name in `--json`."""

    NOT_ENABLED = "not_enabled"
    NOT_SWITCHING = "not_switching"
    OSCILLATING = "oscillating"
    GIVING_UP = "giving_up"


NOT_FITTED_OF_ALL = 0.4
"""How likely a dead converter is one that is not fitted, not soldered or turned round ..."""
DEAD_OTHERWISE = 0.3
"""... and one that is not enabled, or does not switch: together as likely as any other fault (chosen, no source)."""
GIVES_UP = 0.3
"""A converter that gives up into a short (hiccup, or latched off), beside one that is dead: what is read as a short is
one by its ohms, so this counts where none were taken (chosen, no source)."""
OSCILLATES = 0.5
"""A converter that oscillates, beside a missing capacitor (chosen, no source)."""


@frozen
class Suspect:
    """One thing that may be wrong. `mistaken`: the reading that says nothing, with what was touched instead of it."""

    name: str
    fault: Fault | None = None
    prior: float = 1.0
    mistaken: Evidence | None = None
    instead: str | None = None
    """Point that the probe was on; None: on nothing."""
    later: bool = False
    """It came only when power was on: what was read before the first failure knows nothing of it."""
    scale: float = 1.0
    """What the meter makes of every voltage: it reads so many times what is there."""
    way: Way | None = None
    """It reads as `fault` does, but is not the same to look for."""
    powered: Fault | None = None
    """What it reads like with power on, where that is another fault."""


def suspects(board: Board, seen: Sequence[Evidence], *, remote_sense: bool = False) -> tuple[Suspect, ...]:
    """Return everything to be weighed. The first is a sound unit."""
    sound = SOUND_THAT_FAILED if any(one.failed for one in seen) else SOUND
    found = [Suspect("nothing: a sound unit", prior=sound)]
    # Another part is weighed where a reading points to it, with the value that it points to.
    everything = single_faults(board, sensed=board.inputs if remote_sense else ())
    known = [fault for fault in everything if fault.kind not in ONLY_IF_POINTED_TO]
    for fault in known:
        # Of the shorts of a point the hardest stands for all that a converter gives up into.
        ways = () if (fault.value or 0.0) > HARD_SHORT else tuple(_ways(board, fault))
        own = NOT_FITTED_OF_ALL if ways and fault.kind is FaultKind.NOT_FITTED else 1.0
        found += [Suspect(said(board, fault), fault, own), *ways]
    names = {suspect.name for suspect in found}
    for fault in (*_fitted(board, seen), *other_parts(board, seen), *_outside(board, seen)):
        name = said(board, fault)
        if why_impossible(board, fault) is None and name not in names:
            names.add(name)
            found += [Suspect(name, fault, _how_often(fault)), *_ways(board, fault)]
            if fault.kind is FaultKind.SHORTED_THROUGH and any(one.seen is Seen.VOLTS for one in seen):
                found.append(Suspect(f"{name}, since power came on", fault, LATER, later=True))
    found += _mistakes(board, seen)
    found += _of_the_meter(board, seen)
    return tuple(found)


def _how_often(fault: Fault) -> float:
    if fault.kind is FaultKind.OTHER_PART and fault.value not in (*FIXED, *REFERENCES):
        return HOW_OFTEN[FaultKind.UPPER_VALUE]  # fitted, so that it explains any voltage, as a fitted resistor does
    return HOW_OFTEN.get(fault.kind, FITTED)


def _ways(board: Board, fault: Fault) -> Iterator[Suspect]:
    """What reads like a dead converter, or like a missing capacitor, by the solver."""
    converter = board.rails[fault.point].converter if fault.point in board.rails else None
    if converter is None:
        return
    if fault.kind is FaultKind.NOT_FITTED:
        yield Suspect(f"{fault.point}: converter not enabled", fault, DEAD_OTHERWISE, way=Way.NOT_ENABLED)
        if not converter.linear:
            yield Suspect(f"{fault.point}: converter does not switch", fault, DEAD_OTHERWISE, way=Way.NOT_SWITCHING)
    elif fault.kind is FaultKind.CAPACITOR_MISSING:
        yield Suspect(f"{fault.point}: converter oscillates", fault, OSCILLATES, way=Way.OSCILLATING)
    elif fault.kind is FaultKind.SHORTED_THROUGH and converter.kind in (ConverterKind.BUCK, ConverterKind.INVERTING):
        volts = abs(nominal_volts(board, fault.point) or 0.0)
        if volts > (fault.value or 0.0) * limit_amps(board, board.rails[fault.point], converter):
            name, dead = f"{said(board, fault)}, its converter giving up", Fault(fault.point, FaultKind.NOT_FITTED)
            yield Suspect(name, fault, GIVES_UP, way=Way.GIVING_UP, powered=dead)


def _fitted(board: Board, seen: Sequence[Evidence]) -> Iterator[Fault]:
    """Faults whose value follows from one reading."""
    for one in seen:
        if one.seen is Seen.OHMS:
            sound = unpowered_resistance(board, one.point)
            if 0.0 < one.value < (TELLS_NOTHING if isinf(sound) else LOW_ENOUGH * sound):
                yield Fault(one.point, FaultKind.SHORTED_THROUGH, _two_digits(1.0 / (1.0 / one.value - 1.0 / sound)))
        elif one.seen is Seen.VOLTS and one.point in board.rails:
            converter = board.rails[one.point].converter
            network = None if converter is None else network_of(converter)
            if converter is not None and network is not None and network[0]:
                yield from _other_resistor(one, converter, *network)
            if one.failed:
                yield from _pulled_down(board, one)
        elif one.seen is Seen.AMPS and one.failed:
            yield from _more_load(board, one)


def _other_resistor(
    one: Evidence, converter: Converter, reference: float, upper: float, lower: float
) -> Iterator[Fault]:
    """The value of either feedback resistor that would make what was read, the feedback current left out."""
    far, near = far_and_near(converter, upper, lower)
    gain, right = abs(one.value) / reference - 1.0, far / near
    if right * LEAST_GAIN < gain and abs(gain / right - 1.0) > AS_STATED:
        kinds = (FaultKind.UPPER_VALUE, FaultKind.LOWER_VALUE)
        far_kind, near_kind = kinds if converter.reference_across is Across.LOWER else kinds[::-1]
        yield Fault(one.point, far_kind, _two_digits(gain * near))
        yield Fault(one.point, near_kind, _two_digits(far / gain))


def _pulled_down(board: Board, one: Evidence) -> Iterator[Fault]:
    """The resistance to ground that pulls a rail down to what was read, its converter in current limit."""
    sound = abs(solve(board, one.inputs, state=one.state).volts.get(one.point, 0.0))
    wanted = abs(one.value)
    if not PULLED_FROM * sound < wanted < PULLED_TO * sound:
        return
    low, high = SHORTS
    for _ in range(HALVINGS):
        middle = (low * high) ** 0.5
        fault = Fault(one.point, FaultKind.SHORTED_THROUGH, middle)
        volts = abs(solve(board, one.inputs, state=one.state, faults=(fault,)).volts.get(one.point, 0.0))
        low, high = (middle, high) if volts < wanted else (low, middle)
    yield Fault(one.point, FaultKind.SHORTED_THROUGH, _two_digits((low * high) ** 0.5))


def _more_load(board: Board, one: Evidence) -> Iterator[Fault]:
    """The load at each rail that would explain an input current."""
    sound = solve(board, one.inputs, state=one.state)
    more = abs(one.value) - abs(sound.input_amps.get(one.point, 0.0))
    into = abs(one.inputs.get(one.point, 0.0))
    if more <= 0.0 or not into:
        return
    for rail in board.rails.values():
        volts = abs(sound.volts.get(rail.name, 0.0))
        if not volts or board.input_of(rail.name) != one.point:
            continue
        efficiency = 1.0 if rail.converter is None else number_or(rail.converter.efficiency, 90.0) / 100.0
        amps = _two_digits(more * into * efficiency / volts)
        yield Fault(rail.name, FaultKind.EXCESS_LOAD, amps)
        yield Fault(rail.name, FaultKind.SHORTED_THROUGH, _two_digits(volts / amps))


def _outside(board: Board, seen: Sequence[Evidence]) -> Iterator[Fault]:
    """Faults of what is plugged in, with the value that was read."""
    for one in seen:
        if one.seen is Seen.DEAD and abs(one.value) > HARMLESS:
            sound = unpowered_resistance(board, one.point)
            yield Fault(one.point, FaultKind.BACK_FED, _two_digits(abs(one.value) * (1.0 + FEED_OHMS / sound)))
            yield Fault(one.point, FaultKind.CHARGED, _two_digits(abs(one.value)))
        if one.seen is Seen.LEADS and one.failed and one.value > 0.0:
            yield Fault(one.point, FaultKind.WRONG_VOLTAGE, one.value)
            yield Fault(one.point, FaultKind.SENSE_OPEN)


def _mistakes(board: Board, seen: Sequence[Evidence]) -> Iterator[Suspect]:
    """A probe on another rail, or on nothing: one reading that says nothing of its point."""
    for one in seen:
        if one.seen is not Seen.VOLTS or not one.failed:
            continue
        for point in board.points():
            volts = nominal_volts(board, point.name)
            if point.name != one.point and volts and abs(one.value - volts) <= LIKE_ANOTHER * abs(volts):
                name = f"{one.point}: the probe was on {point.name} ({shown(one.value, 'V')} fits there)"
                yield Suspect(name, None, FITTED, one, point.name)
        own = nominal_volts(board, one.point)
        if own and abs(one.value) <= UNTOUCHED * abs(own):
            yield Suspect(f"{one.point}: the probe touched nothing", None, FITTED, one)


def _of_the_meter(board: Board, seen: Sequence[Evidence]) -> Iterator[Suspect]:
    """What is wrong with the meter and not with the board."""
    for each in meter_mistakes(board, seen):
        if each.lost is not None:
            name = f"{each.lost.point}: its current was not measured (meter fuse blown, or the ammeter by-passed)"
            yield Suspect(name, None, NO_CURRENT, each.lost)
        elif each.scale:
            percent = f"{abs(100.0 * (each.scale - 1.0)):.2g} % {'high' if each.scale > 1.0 else 'low'}"
            yield Suspect(f"every voltage reads {percent}: the meter or its leads", prior=FITTED, scale=each.scale)
        else:
            name = "every voltage reads nothing: the meter is on AC volts, or a lead of its is open"
            yield Suspect(name, prior=FITTED, scale=0.0)


def _two_digits(value: float) -> float:
    return float(f"{value:.2g}")
