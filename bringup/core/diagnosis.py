"""Which single fault explains an attempt's readings best, by the board's solver. Pure.

Every suspect predicts every reading; how far a reading lies from that, in units of how far it may lie, is its
distance. What a prediction may be off by: tolerances, unit-to-unit spread and what the solver does not know, as noted
beside each number (chosen, no source). A distance counts up to MOST_FAR only: one reading that nothing explains must
not hide what explains the others. Probabilities are those of the suspects named, as if one of them were the case.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import exp, hypot, inf, isinf

from bringup.core.board import Board
from bringup.core.evidence import Evidence, Seen
from bringup.core.expectation import voltage_limits
from bringup.core.fault_check import SUPPLY_FAULTS
from bringup.core.faults import Fault, FaultKind
from bringup.core.frozen import frozen
from bringup.core.operating_point import Solution
from bringup.core.other_units import OtherUnits
from bringup.core.solver import SENSE_OPEN_RISE, solve, unpowered_resistance
from bringup.core.suspects import FEED_OHMS, Suspect, suspects

ALONE = OtherUnits()
MOST_FAR = 5.0
VOLTS_SHARE, VOLTS_FLOOR = 0.005, 0.005
"""Beside tolerance: contact, loading and drift, as a fraction and in volts."""
UNKNOWN_TOLERANCE = 0.02
AMPS_SHARE, AMPS_FLOOR = 0.10, 0.003
"""Efficiencies and loads are typical values; a budget's band of 30 % is taken as three of these."""
OHMS_SHARE, OHMS_FLOOR = 0.12, 0.3
"""Resistance to ground differs from unit to unit, and by the meter; leads are some 0.2 ohm."""
OPEN_OHMS = 1e7
"""What counts as no path to ground."""
QUIET, RESTLESS = 2.0, 4.5
"""How far a settled reading is from a missing capacitor, and an unsettled one from everything else."""
FITS = 3.0
"""A reading no further from a prediction than this is explained by it."""
ALIKE = 1.0
"""Suspects whose predictions of every reading are less than this apart are told as one."""
UNPOWERED = (Seen.OHMS, Seen.DEAD, Seen.LEADS)
RIVAL = 0.02
"""Probability from which on a second cause is worth a further reading."""
TELLS_APART = 4.0
"""A further reading is worth naming if the leaders' predictions are at least so far apart."""


@frozen
class Explained:
    """A reading with what a suspect predicts of it, and how far it lies from that."""

    evidence: Evidence
    predicted: float
    distance: float


@frozen
class Cause:
    """A likely cause: suspects that these readings do not tell apart, most likely first."""

    suspects: tuple[Suspect, ...]
    probability: float
    readings: tuple[Explained, ...]
    """How the first of them explains each reading."""

    @property
    def fits(self) -> bool:
        """Whether it explains every reading within three of what it may be off by."""
        return _fit(self.readings)


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
    causes = _grouped([(weight / total, suspect, explained) for weight, suspect, explained in weights])
    return Diagnosis(causes, _next(solver, causes, seen))


def _grouped(weighed: Sequence[tuple[float, Suspect, tuple[Explained, ...]]]) -> tuple[Cause, ...]:
    """Put suspects together whose predictions these readings do not tell apart."""
    groups: list[tuple[float, list[Suspect], tuple[Explained, ...]]] = []
    for weight, suspect, explained in weighed:
        for number, (sum_so_far, members, leader) in enumerate(groups):
            if _one_part(suspect, members[0]) and _fit(explained, leader):
                # One part with another value: the value that fits best stands for all.
                better = _misfit(explained) < _misfit(leader)
                first = [suspect, *members[1:]] if better else members
                groups[number] = (sum_so_far + weight, first, explained if better else leader)
                break
            if suspect.mistaken is None and members[0].mistaken is None and _alike(explained, leader):
                groups[number] = (sum_so_far + weight, [*members, suspect], leader)
                break
        else:
            groups.append((weight, [suspect], explained))
    groups.sort(key=lambda group: -group[0])
    return tuple(Cause(tuple(members), weight, explained) for weight, members, explained in groups)


def _one_part(one: Suspect, other: Suspect) -> bool:
    if one.fault is None or other.fault is None or one.later != other.later:
        return False
    return (one.fault.point, one.fault.kind) == (other.fault.point, other.fault.kind)


def _fit(*of: Sequence[Explained]) -> bool:
    return all(each.distance <= FITS for explained in of for each in explained)


def _misfit(explained: Sequence[Explained]) -> float:
    return sum(each.distance**2 for each in explained)


def _alike(one: Sequence[Explained], other: Sequence[Explained]) -> bool:
    pairs = zip(one, other, strict=True)
    return all(
        abs(a.distance - b.distance) < ALIKE
        and (
            a.predicted == b.predicted
            or abs(a.predicted - b.predicted) < ALIKE * _uncertain(a.evidence.seen, b.predicted)
        )
        for a, b in pairs
    )


def _uncertain(seen: Seen, value: float) -> float:
    """How far a reading may lie from a prediction where nothing is known of the point's tolerance."""
    if isinf(value):
        return 0.0
    if seen is Seen.OHMS:
        return hypot(OHMS_SHARE * value, OHMS_FLOOR)
    if seen is Seen.AMPS:
        return hypot(AMPS_SHARE * value, AMPS_FLOOR)
    return hypot(VOLTS_SHARE * value, VOLTS_FLOOR)


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
        explained = self._far(one, predicted, one.point)
        fault = suspect.fault
        if fault is not None and fault.kind is FaultKind.CAPACITOR_MISSING and one.seen is Seen.VOLTS:
            at_it = fault.point == one.point
            if at_it != one.unsettled:
                return Explained(one, predicted, hypot(explained.distance, QUIET if at_it else 0.0))
        elif one.unsettled and one.seen is Seen.VOLTS:
            return Explained(one, predicted, hypot(explained.distance, RESTLESS))
        return explained

    def predicted(self, suspect: Suspect, one: Evidence) -> float:
        """Return what the reading would be."""
        fault = None if suspect.later and (id(one) in self._before or one.seen in UNPOWERED) else suspect.fault
        match one.seen:
            case Seen.OHMS:
                own = () if fault is None or fault.kind in SUPPLY_FAULTS else (fault,)
                return unpowered_resistance(self.board, one.point, own)
            case Seen.VOLTS:
                return suspect.scale * self._volts(fault, one.point, one)
            case Seen.AMPS:
                return abs(self._solution(fault, one).input_amps.get(one.point, 0.0))
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
            return Explained(one, predicted, 0.0 if one.value > OPEN_OHMS else MOST_FAR)
        off = _uncertain(one.seen, predicted)
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
    return abs(one - other) / max(_uncertain(seen, one), _uncertain(seen, other))


def _candidates(board: Board, seen: Sequence[Evidence]) -> Iterator[Evidence]:
    """Everything that may be read: resistances, then volts and input currents at the nominal input."""
    states = [one.state for one in seen if one.state is not None]
    inputs: Mapping[str, float] = {name: each.voltage.number for name, each in board.inputs.items()}
    state = states[-1] if states else None
    for point in board.points():
        yield Evidence(Seen.OHMS, point.name, 0.0, {}, state)
    for point in board.points():
        yield Evidence(Seen.VOLTS, point.name, 0.0, inputs, state)
    for name in board.inputs:
        yield Evidence(Seen.AMPS, name, 0.0, inputs, state)
