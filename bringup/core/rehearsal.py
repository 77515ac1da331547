"""What a rehearsal shows: which single faults a procedure notices, where, in time or not, and what it blames wrongly.

Pure. A trial is one attempt on a simulated unit: sound at a corner of its tolerances, or with one fault. Whether a
fault shows at all is the solver's word: some point or input current beyond its limits at the nominal input.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from math import inf

from bringup.core.board import Across, Board
from bringup.core.budget import expected_current
from bringup.core.expectation import voltage_limits
from bringup.core.fault_check import SUPPLY_FAULTS
from bringup.core.faults import Fault, FaultKind
from bringup.core.frozen import frozen
from bringup.core.limits import Limits, judge
from bringup.core.parts import LOWER, NOMINAL, OUTPUT, REFERENCE, UPPER, Parts, nominal_of
from bringup.core.solver import solve, unpowered_resistance
from bringup.core.words import AttemptResult, Result

CORNER = 0.99
"""How far towards the end of its tolerance a part of a sound unit lies: at the very end the meter's error decides."""


HOT_WATTS, HOT_JOULES = 1.0, 10.0
"""More than both into one spot, and it was noticed too late: 1 W over 10 s make a small part and the copper round it
too hot to touch (common practice, no source). Less power spreads; less energy has not warmed it yet."""


@frozen
class Trial:
    """What is tried: a fault, or None and the unit's `parts`, which `name` calls by a name."""

    name: str
    fault: Fault | None = None
    parts: Parts = NOMINAL


@frozen
class Stress:
    """The highest voltage that a point came to beyond what damages it, in V by magnitude; `allowed` is that level."""

    point: str
    volts: float
    allowed: float


@frozen
class Energy:
    """What went into a short or an excess load until the power was off, in J, and the most at one moment, in W."""

    joules: float
    watts: float

    @property
    def harmful(self) -> bool:
        """Whether a part of a board would have got hot from it."""
        return self.joules > HOT_JOULES and self.watts > HOT_WATTS


@frozen
class Came:
    """What one trial came to."""

    trial: Trial
    result: AttemptResult
    cause: str
    step: int | None
    """Index of the step in which it was noticed; None: it passed, or nothing was begun."""
    stressed: tuple[Stress, ...] = ()
    seconds: float = 0.0
    """Simulated seconds of the whole attempt."""
    energy: Energy | None = None
    """Into the fault; None of a fault that takes none."""


class Fate(StrEnum):
    """What became of a fault."""

    CAUGHT = "caught"
    TOO_LATE = "caught too late"
    """Some point had been above what damages it by then, or too much energy had gone into the fault."""
    MISSED = "not caught"
    WITHIN = "moves nothing beyond its limits"
    """And nothing was noticed: a rehearsal by limits cannot ask for more."""


class Check(StrEnum):
    """What shows a fault, from the one that costs least and harms least."""

    RESISTANCE = "resistance"
    VOLTAGE = "measure"
    CURRENT = "expect_current"


Shows = tuple[tuple[Check, str], ...]
"""Every check of a point (or input) that would show the fault."""


def corners(board: Board, of: Sequence[str] = ()) -> tuple[Trial, ...]:
    """Return sound units: nominal, every rail alone at both ends of its tolerance, all at once at either end.

    With `of`, only those rails are moved.
    """
    ends: dict[str, dict[str, Parts]] = {}
    for rail in board.rails.values():
        if rail.converter is not None and (not of or rail.name in of):
            low, high = _ends(board, rail.name)
            if low.values or high.values:
                ends[rail.name] = {"lowest": low, "highest": high}
    trials = [Trial("sound, every part nominal")]
    for name, two in ends.items():
        trials += [Trial(f"sound, {name} at its {end}", parts=parts) for end, parts in two.items()]
    if len(ends) > 1:
        for end in ("lowest", "highest"):
            together = {key: value for two in ends.values() for key, value in two[end].values.items()}
            trials.append(Trial(f"sound, every rail at its {end}", parts=Parts(together)))
    return tuple(trials)


def _ends(board: Board, name: str) -> tuple[Parts, Parts]:
    """Return the parts with which a rail is lowest and highest (by magnitude), every part within its tolerance."""
    rail = board.rails[name]
    assert rail.converter is not None, "a plain connection has no parts"
    reference, upper, lower = rail.converter.reference, rail.converter.upper, rail.converter.lower
    if reference is None or upper is None or lower is None:
        # As for drawn units: the other half of a rail's stated tolerance is for load and temperature.
        own = rail.converter.output
        share = CORNER / 2 if own is None else CORNER
        two = [_towards(own or rail.expect, share=share, high=high) for high in (False, True)]
        low, high = (Parts() if value is None else Parts({(name, OUTPUT): value}) for value in two)
        return (low, high) if two[0] is None or two[1] is None or abs(two[0]) <= abs(two[1]) else (high, low)
    found = []
    for up in (False, True):
        far_is_upper = rail.converter.reference_across is Across.LOWER
        parts = {REFERENCE: (reference, up), UPPER: (upper, up is far_is_upper), LOWER: (lower, up is not far_is_upper)}
        values = {part: _towards(limits, share=CORNER, high=high) for part, (limits, high) in parts.items()}
        found.append(Parts({(name, part): value for part, value in values.items() if value is not None}))
    return found[0], found[1]


def _towards(limits: Limits | None, *, share: float, high: bool) -> float | None:
    """Return the value so far from nominal towards an end of its tolerance; None where none is stated."""
    nominal = None if limits is None else nominal_of(limits)
    end = None if limits is None else limits.high if high else limits.low
    return None if nominal is None or end is None else nominal + share * (float(end) - nominal)


def shows(board: Board, fault: Fault, states: Sequence[str | None] = (None,)) -> Shows:
    """Return which checks would show that fault with the inputs at their nominal volts, in one of the board states.

    A missing capacitor moves no mean value and shows in none of them; what is wrong between the supply and the board
    shows at the input.
    """
    if fault.kind in SUPPLY_FAULTS:
        return ((Check.VOLTAGE, fault.point),)
    found = _beyond(board, states, (fault,)) - _beyond(board, states, ())
    if fault.kind is FaultKind.BACK_FED:
        found.add((Check.RESISTANCE, fault.point))  # volts are looked for before every resistance
    return tuple(sorted(found, key=lambda one: (list(Check).index(one[0]), one[1])))


def _beyond(board: Board, states: Sequence[str | None], faults: tuple[Fault, ...]) -> set[tuple[Check, str]]:
    """Return what is beyond its limits in one of the board states."""
    found: set[tuple[Check, str]] = set()
    for point in board.points():
        ohms = unpowered_resistance(board, point.name, faults)
        if point.ground is not None and ohms not in (0.0, inf) and _outside(ohms, point.ground):
            found.add((Check.RESISTANCE, point.name))
    inputs = {name: each.voltage.number for name, each in board.inputs.items()}
    for state in states:
        solution = solve(board, inputs, state=state, faults=faults)
        for point in board.points():
            limits, volts = voltage_limits(board, point.name)[0], solution.volts.get(point.name)
            if volts is not None and limits is not None and _outside(volts, limits):
                found.add((Check.VOLTAGE, point.name))
        if len(inputs) == 1:  # of several, which one feeds what is not for one number to say
            (name, volts_in), *_ = inputs.items()
            wanted = expected_current(board, name, volts_in, state).limits
            if wanted is not None and _outside(abs(solution.input_amps[name]), wanted):
                found.add((Check.CURRENT, name))
    return found


def _outside(value: float, limits: Limits) -> bool:
    return judge(value, limits) is Result.FAIL


def fate_of(came: Came, showing: Shows) -> Fate:
    """Return what became of the fault of that trial. `showing`: what would show it."""
    if came.result is AttemptResult.PASSED:
        return Fate.MISSED if showing or came.stressed else Fate.WITHIN
    late = came.stressed or (came.energy is not None and came.energy.harmful)
    return Fate.TOO_LATE if late else Fate.CAUGHT


@frozen
class Rehearsal:
    """All that a rehearsal found, trials in the order in which they were made."""

    faults: tuple[tuple[Came, Fate], ...]
    sound: tuple[Came, ...]
    added: tuple[tuple[Check, str, int], ...]
    """The fewest checks to add (one after another, each with how many of the missed faults it shows)."""

    def count(self, fate: Fate) -> int:
        """How many faults came to that."""
        return sum(one is fate for _, one in self.faults)

    @property
    def false_alarms(self) -> tuple[Came, ...]:
        """Sound units that did not pass."""
        return tuple(came for came in self.sound if came.result is not AttemptResult.PASSED)

    @property
    def coverage(self) -> float | None:
        """Share of the faults that show at all which were caught, in time or not; None without any."""
        shown = len(self.faults) - self.count(Fate.WITHIN)
        return 1.0 - self.count(Fate.MISSED) / shown if shown else None

    @property
    def good(self) -> bool:
        """Whether nothing that shows was missed and nothing sound was blamed.

        What damages at the moment of power-on no check comes before: that is for the board, and for a look at it.
        """
        return not (self.count(Fate.MISSED) or self.false_alarms)


def summed_up(came: Iterable[Came], showing: Mapping[str, Shows]) -> Rehearsal:
    """Return what the trials come to. `showing`: name of the trial -> what would show its fault."""
    faults, sound, missed = [], [], []
    for each in came:
        if each.trial.fault is None:
            sound.append(each)
            continue
        fate = fate_of(each, showing[each.trial.name])
        faults.append((each, fate))
        if fate is Fate.MISSED:
            missed.append(showing[each.trial.name])
    return Rehearsal(tuple(faults), tuple(sound), fewest(missed))


def fewest(missed: Sequence[Shows]) -> tuple[tuple[Check, str, int], ...]:
    """Return checks that show everything in `missed`: each time the one that shows most, the cheaper one of equals."""
    left, chosen = [set(each) for each in missed if each], []
    while left:
        counts = Counter(check for each in left for check in each)
        best = min(counts, key=lambda one: (-counts[one], list(Check).index(one[0]), one[1]))
        chosen.append((*best, counts[best]))
        left = [each for each in left if best not in each]
    return tuple(chosen)
