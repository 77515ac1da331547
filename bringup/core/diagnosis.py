"""Which single fault explains an attempt's readings best, by the board's solver. Pure.

Every suspect predicts every reading; how far a reading lies from that, in units of how far it may lie, is its
distance (`likeness`). A distance counts up to MOST_FAR only: one reading that nothing explains must
not hide what explains the others. Probabilities are those of the suspects named, as if one of them were the case.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import exp, hypot, inf, isinf

from bringup.core.board import Board
from bringup.core.budget import downstream
from bringup.core.evidence import Evidence, Seen
from bringup.core.expectation import voltage_limits
from bringup.core.fault_check import SUPPLY_FAULTS
from bringup.core.faults import Fault, FaultKind
from bringup.core.frozen import frozen
from bringup.core.likeness import OPEN_OHMS, Cause, Explained, grouped, uncertain
from bringup.core.operating_point import Solution
from bringup.core.other_units import OtherUnits
from bringup.core.solver import SENSE_OPEN_RISE, solve, unpowered_resistance
from bringup.core.suspects import FEED_OHMS, TELLS_NOTHING, Suspect, Way, suspects

ALONE = OtherUnits()
MOST_FAR = 5.0
UNKNOWN_TOLERANCE = 0.02
QUIET, RESTLESS = 2.0, 4.5
"""How far a settled reading, or a ripple within its limits, is from a missing capacitor, and an unsettled one, or too
much ripple, from everything else (a missing capacitor of what feeds it may still be seen)."""
UNPOWERED = (Seen.OHMS, Seen.DEAD, Seen.LEADS)
RIVAL = 0.02
"""Probability from which on a second cause is worth a further reading."""
TELLS_APART = 4.0
"""A further reading is worth naming if the leaders' predictions are at least so far apart."""


@frozen
class Next:
    """What to read next to tell the leaders apart: what of which point, with what each cause predicts."""

    seen: Seen
    point: str
    predictions: tuple[float, ...]
    """One for each of the causes that were compared, in their order."""


@frozen
class Diagnosis:
    """Causes, most likely first, and the reading that best separates the first ones (None: none would)."""

    causes: tuple[Cause, ...]
    next: Next | None = None


def diagnose(
    board: Board, seen: Sequence[Evidence], *, remote_sense: bool = False, others: OtherUnits = ALONE
) -> Diagnosis:
    """Rank what may be wrong. Nothing is ranked without readings. `others`: whether other units read so, too."""
    if not seen:
        return Diagnosis(())
    solver = _Predicting(board, seen)
    weighed = []
    for suspect in suspects(board, seen, remote_sense=remote_sense):
        explained = tuple(solver.explained(suspect, one) for one in seen)
        score = -0.5 * sum(min(each.distance, MOST_FAR) ** 2 for each in explained)
        prior = suspect.prior * others.times(None if suspect.fault is None else suspect.fault.kind)
        weighed.append((prior, score, suspect, explained))
    best = max(score for _, score, _, _ in weighed)
    weights = [(prior * exp(score - best), suspect, explained) for prior, score, suspect, explained in weighed]
    total = sum(weight for weight, _, _ in weights)
    weights.sort(key=lambda one: -one[0])
    causes = grouped([(weight / total, suspect, explained) for weight, suspect, explained in weights])
    return Diagnosis(causes, _next(solver, causes, seen))


class _Predicting:
    """What suspects predict of readings; each operating point is solved once."""

    def __init__(self, board: Board, seen: Sequence[Evidence]) -> None:
        self.board = board
        first = next((at for at, one in enumerate(seen) if one.failed and one.seen not in UNPOWERED), len(seen))
        self._before = {id(one) for one in seen[:first]}
        """What was read before anything failed under power."""
        self._solved: dict[tuple[Fault | None, tuple[tuple[str, float], ...], str | None], Solution] = {}
        self._tolerance = {point.name: self._relative_tolerance(point.name) for point in board.points()}

    def explained(self, suspect: Suspect, one: Evidence) -> Explained:
        """Return the prediction and the distance."""
        if suspect.mistaken is one:
            if suspect.instead is None:
                return Explained(one, 0.0, 0.0)
            return self._far(one, self._volts(None, suspect.instead, one), suspect.instead)
        predicted = self.predicted(suspect, one)
        if one.seen is Seen.RIPPLE:
            return Explained(one, predicted, self._restless(suspect.fault, one, restless=one.failed))
        explained = self._far(one, predicted, one.point)
        if one.seen is Seen.VOLTS:
            restless = self._restless(suspect.fault, one, restless=one.unsettled)
            if suspect.way is Way.GIVING_UP and suspect.fault is not None and suspect.fault.point == one.point:
                restless = 0.0  # a meter sees some of its attempts, or none
            return Explained(one, predicted, hypot(explained.distance, restless))
        return explained

    def _restless(self, fault: Fault | None, one: Evidence, *, restless: bool) -> float:
        """Return how far it lies from what a capacitor that is, or is not, missing would make of it."""
        if fault is None or fault.kind is not FaultKind.CAPACITOR_MISSING:
            return RESTLESS if restless else 0.0
        if fault.point == one.point:
            return 0.0 if restless else QUIET
        if not restless:
            return 0.0
        return QUIET if one.point in {rail.name for rail in downstream(self.board, fault.point)} else RESTLESS

    def predicted(self, suspect: Suspect, one: Evidence) -> float:
        """Return what the reading would be; of a ripple only whether it is too much (inf) or not (0)."""
        fault = None if suspect.later and (id(one) in self._before or one.seen in UNPOWERED) else suspect.fault
        match one.seen:
            case Seen.OHMS:
                own = () if fault is None or fault.kind in SUPPLY_FAULTS else (fault,)
                return unpowered_resistance(self.board, one.point, own)
            case Seen.VOLTS:
                return suspect.scale * self._volts(suspect.powered or fault, one.point, one)
            case Seen.AMPS:
                return abs(self._solution(suspect.powered or fault, one).input_amps.get(one.point, 0.0))
            case Seen.RIPPLE:
                rings = fault is not None and fault.kind is FaultKind.CAPACITOR_MISSING and fault.point == one.point
                return inf if rings else 0.0
            case Seen.LEADS:
                return self._at_leads(fault, one.point)
            case Seen.DEAD:
                return self._dead(fault, one.point)

    def _volts(self, fault: Fault | None, point: str, one: Evidence) -> float:
        return self._solution(fault, one).volts.get(point, 0.0)

    def _solution(self, fault: Fault | None, one: Evidence) -> Solution:
        inputs = {name: one.inputs.get(name, 0.0) for name in self.board.inputs}
        # The volts at the inputs were read: what is wrong between supply and board is in them already.
        own = None if fault is not None and fault.kind in SUPPLY_FAULTS else fault
        key = (own, tuple(inputs.items()), one.state)
        if key not in self._solved:
            faults = () if own is None else (own,)
            self._solved[key] = solve(self.board, inputs, state=one.state, faults=faults)
        return self._solved[key]

    def _at_leads(self, fault: Fault | None, name: str) -> float:
        volts = self.board.inputs[name].voltage.number
        if fault is None or fault.point != name:
            return volts
        match fault.kind:
            case FaultKind.LEADS_REVERSED:
                return -volts
            case FaultKind.WRONG_VOLTAGE:
                return fault.value or 0.0
            case FaultKind.SENSE_OPEN:
                return SENSE_OPEN_RISE * volts
        return volts

    def _dead(self, fault: Fault | None, point: str) -> float:
        if fault is None or fault.point != point or fault.value is None:
            return 0.0
        if fault.kind is FaultKind.CHARGED:
            return fault.value
        if fault.kind is FaultKind.BACK_FED:
            ohms = unpowered_resistance(self.board, point)
            return fault.value if isinf(ohms) else fault.value * ohms / (ohms + FEED_OHMS)
        return 0.0

    def _far(self, one: Evidence, predicted: float, point: str) -> Explained:
        if one.seen is Seen.OHMS and (isinf(predicted) or predicted > OPEN_OHMS):
            return Explained(one, predicted, 0.0 if one.value >= TELLS_NOTHING else MOST_FAR)
        off = uncertain(one.seen, predicted)
        if one.seen is Seen.VOLTS:
            off = hypot(off, self._tolerance[point] * predicted)
        elif one.seen is Seen.DEAD:
            off = hypot(off, 0.1 * predicted, 0.02)
        off = hypot(off, one.resolution)
        return Explained(one, predicted, abs(one.value - predicted) / off)

    def _relative_tolerance(self, name: str) -> float:
        """One standard deviation as a fraction: the limits of a sound point taken as three of it."""
        limits = voltage_limits(self.board, name)[0] if name in self.board.rails else None
        if limits is None or limits.low is None or limits.high is None:
            return 0.0 if name in self.board.inputs else UNKNOWN_TOLERANCE
        middle = abs(float(limits.low + limits.high)) / 2
        return float(limits.high - limits.low) / 6 / middle if middle else UNKNOWN_TOLERANCE


def _next(solver: _Predicting, causes: Sequence[Cause], seen: Sequence[Evidence]) -> Next | None:
    """Return the reading that separates the first causes best: unpowered ones first where they do as well."""
    leaders = [cause.suspects[0] for cause in causes[:2] if cause.probability >= RIVAL]
    if len(leaders) < len(causes[:2]) or not causes[1:]:
        return None
    read = {(one.seen, one.point) for one in seen}
    best: tuple[float, Next] | None = None
    for candidate in _candidates(solver.board, seen):
        if (candidate.seen, candidate.point) in read:
            continue
        two = tuple(solver.predicted(leader, candidate) for leader in leaders)
        apart = _apart(candidate.seen, two)
        if apart >= TELLS_APART and (best is None or apart > 1.5 * best[0]):
            best = (apart, Next(candidate.seen, candidate.point, two))
    return None if best is None else best[1]


def _apart(seen: Seen, two: Sequence[float]) -> float:
    one, other = two
    if isinf(one) or isinf(other):
        return 0.0 if one == other else inf if min(one, other) < OPEN_OHMS else 0.0
    return abs(one - other) / max(uncertain(seen, one), uncertain(seen, other))


def _candidates(board: Board, seen: Sequence[Evidence]) -> Iterator[Evidence]:
    """Everything that may be read: resistances, then volts, ripple and input currents at the nominal input."""
    states = [one.state for one in seen if one.state is not None]
    inputs: Mapping[str, float] = {name: each.voltage.number for name, each in board.inputs.items()}
    state = states[-1] if states else None
    for point in board.points():
        yield Evidence(Seen.OHMS, point.name, 0.0, {}, state)
    for point in board.points():
        yield Evidence(Seen.VOLTS, point.name, 0.0, inputs, state)
    for rail in board.rails.values():
        if rail.converter is not None:
            yield Evidence(Seen.RIPPLE, rail.name, 0.0, inputs, state)
    for name in board.inputs:
        yield Evidence(Seen.AMPS, name, 0.0, inputs, state)
