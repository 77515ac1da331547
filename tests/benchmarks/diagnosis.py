"""How often `diagnose` names the true cause: random causes on random units, read with noise.

    python tests/benchmarks/diagnosis.py [PAIRS] [SEED]

A pair is a cause and a unit (its parts drawn from a serial number). Causes, each as likely as any other: every single
fault that a rehearsal tries, feedback resistors swapped, the usual other references, a linear converter that passes
its input, sense leads off, the probe on another rail or on nothing, the meter's fuse, range and calibration. Read are
the free leads, the resistances, the input current and every rail, each with the meter's noise, and with what the solver
does not know: a drift of every converter (to 0.3 %), of efficiencies (input current to 5 %) and of resistances (to
10 %), contact resistance (to 0.3 ohm). Leads that are wrong end the attempt there. Pairs in which nothing is beyond its
limits are not counted, others are drawn for them.

The rules, fixed before how likely each cause is was set: of each cause only the first suspect counts. It is the
true one if it is the same fault of the same part (a fitted value within 5 %). It is excused if it is another whose
prediction, on a sound unit, of every reading differs from the true one's by less than these readings are uncertain:
the drifts and the noise above. At most 15 % of the pairs may need that. Two things were settled after a first look
at the figures: a short or an excess load counts whatever it measures, for no part has that value; a probe on a net
that is plainly the same is not drawn. Also: how often anything is blamed on a sound unit.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from bringup.core.board import Board  # noqa: E402 - found through the line above
from bringup.core.budget import expected_current  # noqa: E402 - as above
from bringup.core.design_values import network_of  # noqa: E402 - as above
from bringup.core.diagnosis import diagnose  # noqa: E402 - as above
from bringup.core.diagnosis_text import blames  # noqa: E402 - as above
from bringup.core.evidence import Evidence, Seen  # noqa: E402 - as above
from bringup.core.expectation import voltage_limits  # noqa: E402 - as above
from bringup.core.fault_check import SUPPLY_FAULTS  # noqa: E402 - as above
from bringup.core.faults import Fault, FaultKind  # noqa: E402 - as above
from bringup.core.frozen import frozen  # noqa: E402 - as above
from bringup.core.parts import parts_of  # noqa: E402 - as above
from bringup.core.single_faults import said, single_faults  # noqa: E402 - as above
from bringup.core.solver import SENSE_OPEN_RISE, solve, unpowered_resistance  # noqa: E402 - as above
from bringup.core.suspects import Suspect  # noqa: E402 - as above
from bringup.files.board_file import load_board  # noqa: E402 - as above
from tests.benchmarks.machine import facts, table  # noqa: E402 - as above
from tests.small_board import small_board  # noqa: E402 - as above


@frozen
class Truth:
    """What is wrong with a unit, or with what reads it: a fault, or the meter (`lost`: what its reading shows)."""

    name: str
    fault: Fault | None = None
    lost: tuple[Seen, str, str | None] | None = None
    """A reading that is not of its point: of another point, or None: nothing."""
    scale: float = 1.0


def truths(board: Board) -> list[Truth]:
    """Every cause that is drawn from."""
    found = [
        Truth(said(board, fault), fault)
        for fault in single_faults(board, sensed=board.inputs)
        if fault.kind is not FaultKind.BACK_FED  # at rest it is told from a charge by nothing that is read
    ]
    for rail in board.rails.values():
        network = None if rail.converter is None else network_of(rail.converter)
        more = []
        if network is not None:
            more = [Fault(rail.name, FaultKind.SWAPPED)]
            others = [value for value in (0.6, 0.8, 1.2) if value != network[0]]
            more += [Fault(rail.name, FaultKind.OTHER_PART, value) for value in others]
        elif rail.converter is not None:
            more = [Fault(rail.name, FaultKind.OTHER_PART, value) for value in (1.8, 2.8, 3.0)]
            more += [Fault(rail.name, FaultKind.PASSES_INPUT)]
        known = {each.fault for each in found}
        found += [Truth(said(board, fault), fault) for fault in more if fault not in known]
        found += [Truth(f"{rail.name}: probe on nothing", lost=(Seen.VOLTS, rail.name, None))]
        found += [
            Truth(f"{rail.name}: probe on {other}", lost=(Seen.VOLTS, rail.name, other))
            for other in board.rails
            if other != rail.name and board.rails[other].converter is not None
        ]
    found += [Truth(f"{name}: meter fuse", lost=(Seen.AMPS, name, None)) for name in board.inputs]
    return [*found, *(Truth(f"meter x {scale}", scale=scale) for scale in (0.0, 0.96, 1.04))]


def readings(board: Board, truth: Truth | None, serial: str, chance: random.Random) -> list[Evidence]:
    """What an attempt reads of that unit."""
    parts = parts_of(board, serial)
    fault = None if truth is None else truth.fault
    faults = () if fault is None else (fault,)
    inputs = {name: each.voltage.number for name, each in board.inputs.items()}
    state = next(iter(board.states), None)
    found = []
    for name in board.inputs:
        volts = at_leads(board, fault, name) * chance.uniform(0.999, 1.001) + chance.gauss(0, 5e-4)
        found.append(
            Evidence(Seen.LEADS, name, volts, {}, state, 1e-4, abs(volts - inputs[name]) > 0.03 * inputs[name])
        )
    if any(one.failed for one in found):
        return found
    solution = solve(board, inputs, state=state, faults=faults, parts=parts)
    for point in board.points():
        own = () if fault is None or fault.kind in SUPPLY_FAULTS else faults
        ohms = unpowered_resistance(board, point.name, own, parts) * chance.uniform(0.9, 1.1) + chance.uniform(0, 0.3)
        if ohms < 1e9:
            failed = point.ground is not None and not point.ground.accepts(ohms)
            found.append(Evidence(Seen.OHMS, point.name, ohms, {}, state, 0.01, failed))
    lost = {} if truth is None or truth.lost is None else {truth.lost[:2]: truth.lost[2]}
    for name in board.inputs:
        amps = abs(solution.input_amps[name]) * chance.uniform(0.95, 1.05) + chance.gauss(0, 2e-4)
        amps = chance.gauss(0, 1e-5) if (Seen.AMPS, name) in lost else amps
        limits = expected_current(board, name, inputs[name], state).limits
        failed = limits is not None and not limits.accepts(amps)
        found.append(Evidence(Seen.AMPS, name, amps, inputs, state, 1e-4, failed))
    for name in board.rails:
        if name not in solution.volts:
            continue
        touched = lost.get((Seen.VOLTS, name), name)
        true = 0.0 if touched is None else solution.volts[touched]
        volts = true * chance.uniform(0.997, 1.003) * (1.0 if truth is None else truth.scale) + chance.gauss(0, 5e-4)
        unsettled = fault is not None and fault.kind is FaultKind.CAPACITOR_MISSING and fault.point == name
        limits = voltage_limits(board, name)[0]
        failed = unsettled or (limits is not None and not limits.accepts(volts))
        found.append(Evidence(Seen.VOLTS, name, volts, inputs, state, 1e-4, failed, unsettled))
    return found


def at_leads(board: Board, fault: Fault | None, name: str) -> float:
    """Volts at the free leads of an input."""
    volts = board.inputs[name].voltage.number
    if fault is None or fault.point != name:
        return volts
    turned = {FaultKind.LEADS_REVERSED: -volts, FaultKind.SENSE_OPEN: SENSE_OPEN_RISE * volts}
    return (fault.value or 0.0) if fault.kind is FaultKind.WRONG_VOLTAGE else turned.get(fault.kind, volts)


def as_truth(suspect: Suspect) -> Truth:
    """What a suspect says is wrong."""
    lost = suspect.mistaken and (suspect.mistaken.seen, suspect.mistaken.point, suspect.instead)
    return Truth(suspect.name, suspect.fault, lost or None, suspect.scale)


def is_it(one: Truth, true: Truth) -> bool:
    """Whether that is the true cause: the same part, the same way, a fitted value within 5 %."""
    if one.lost != true.lost or abs(one.scale - true.scale) > 0.01:
        return False
    a, b = one.fault, true.fault
    if a is None or b is None:
        return a is b
    if a.kind in (FaultKind.SHORTED_THROUGH, FaultKind.EXCESS_LOAD):
        return (a.point, a.kind) == (b.point, b.kind)
    near = a.value == b.value or (a.value is not None and b.value is not None and abs(a.value / b.value - 1.0) <= 0.05)
    return (a.point, a.kind) == (b.point, b.kind) and near


def are_alike(board: Board, one: Truth, other: Truth, seen: Sequence[Evidence]) -> bool:
    """Whether readings cannot tell them apart: every prediction differs by less than the reading is uncertain."""
    kinds = {each.fault.kind if each.fault is not None else None for each in (one, other)}
    if FaultKind.CAPACITOR_MISSING in kinds and len(kinds) > 1:
        return False
    return all(
        abs(a - b) <= uncertainty(each.seen, max(abs(a), abs(b)))
        for each in seen
        for a, b in [(predicted(board, one, each), predicted(board, other, each))]
        if a != b
    )


def uncertainty(seen: Seen, value: float) -> float:
    """What was added to a reading above, at its most: drift or spread, and three of the noise."""
    match seen:
        case Seen.OHMS:
            return 0.1 * value + 0.3
        case Seen.AMPS:
            return 0.05 * value + 6e-4
        case Seen.LEADS:
            return 0.001 * value + 1.5e-3
    return 0.003 * value + 1.5e-3


def predicted(board: Board, truth: Truth, each: Evidence) -> float:
    """What would be read where all else is sound."""
    fault = truth.fault
    if each.seen is Seen.LEADS:
        return at_leads(board, fault, each.point)
    own = () if fault is None or fault.kind in SUPPLY_FAULTS else (fault,)
    if each.seen is Seen.OHMS:
        return unpowered_resistance(board, each.point, own)
    point: str | None = each.point
    if truth.lost is not None and truth.lost[:2] == (each.seen, each.point):
        point = truth.lost[2]
    if point is None:
        return 0.0
    solution = solve(board, each.inputs, state=each.state, faults=own)
    return abs(solution.input_amps[point]) if each.seen is Seen.AMPS else truth.scale * solution.volts[point]


def main(pairs: int = 2000, seed: int = 20261128) -> None:
    """Try and print."""
    chance = random.Random(seed)  # noqa: S311 - nothing secret
    boards = [load_board(ROOT / "fixtures/boards/mooring-buoy-logger.yaml"), small_board()]
    boards.append(load_board(ROOT / "fixtures/boards/tide-gauge.yaml"))
    drawn = [truths(board) for board in boards]
    places: list[int | None] = []
    excused = within = number = 0
    missed: dict[str, int] = {}
    alike_kinds: dict[str, int] = {}
    while len(places) < pairs:
        number += 1
        board = boards[number % len(boards)]
        truth = chance.choice(drawn[number % len(boards)])
        seen = readings(board, truth, f"MBL-{number:04d}", chance)
        if not any(one.failed for one in seen):
            within += 1
            continue
        leaders = [as_truth(cause.suspects[0]) for cause in diagnose(board, seen, remote_sense=True).causes[:3]]
        right = [is_it(leader, truth) for leader in leaders]
        alike = [are_alike(board, leader, truth, seen) for leader in leaders]
        place = next((at for at in range(len(leaders)) if right[at] or alike[at]), None)
        excused += place == 0 and not right[0]
        if place == 0 and not right[0]:
            pair = f"{kind_of(truth)} (instead: {kind_of(leaders[0])})"
            alike_kinds[pair] = alike_kinds.get(pair, 0) + 1
        places.append(place)
        if place != 0:
            missed[f"{truth.name} ({leaders[0].name})"] = missed.get(f"{truth.name} ({leaders[0].name})", 0) + 1
    blamed = 0
    for unit in range(pairs):
        board = boards[unit % len(boards)]
        seen = readings(board, None, f"MBL-{unit:04d}", chance)
        blamed += blames(diagnose(board, seen, remote_sense=True).causes[0].suspects[0])
    first, three = sum(place == 0 for place in places), sum(place is not None for place in places)
    rows = [
        ("", "of", "share", "wanted"),
        ("true cause first", f"{first} of {pairs}", f"{first / pairs:.1%}", "85 %"),
        ("  of these excused", f"{excused} of {pairs}", f"{excused / pairs:.1%}", "at most 15 %"),
        ("among three", f"{three} of {pairs}", f"{three / pairs:.1%}", "97 %"),
        ("sound units blamed", f"{blamed} of {pairs}", f"{blamed / pairs:.1%}", "under 1 %"),
    ]
    print(f"{pairs} pairs, {within} more were within every limit. {facts()}\n\n{table(rows)}\n\nNot first (instead):")
    for name, count in sorted(missed.items(), key=lambda each: -each[1])[:20]:
        print(f"  {count:3d}  {name}")
    print("\nExcused:")
    for name, count in sorted(alike_kinds.items(), key=lambda each: -each[1])[:20]:
        print(f"  {count:3d}  {name}")


def kind_of(truth: Truth) -> str:
    """What is wrong, without where."""
    return truth.fault.kind.value if truth.fault is not None else "probe or meter"


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]))
