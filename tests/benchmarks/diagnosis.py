"""How often `diagnose` names the true cause: random single faults on random units, read with noise.

    python tests/benchmarks/diagnosis.py [PAIRS]

A pair is a fault of `single_faults` and a unit (its parts drawn from a serial number). Read are the resistances, the
input current and every rail, each with the meter's noise, and with what the solver does not know: a drift of every
converter (to 0.3 %), of efficiencies (input current to 5 %) and of resistances (to 10 %), contact resistance (to
0.3 ohm). Pairs in which nothing is beyond its limits are not counted, others are drawn for them.

The rules, fixed before anything was tuned: of each cause only the first suspect counts. It is the true one if it is the
same fault of the same part (a fitted value within 5 %). It is excused if it is another whose prediction, on a sound
unit, of every reading differs from the true one's by less than these readings are uncertain: the drifts and the noise
above. At most 15 % of the pairs may need that. Also: how often anything is blamed on a sound unit.
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
from bringup.core.diagnosis import diagnose  # noqa: E402 - as above
from bringup.core.diagnosis_text import blames  # noqa: E402 - as above
from bringup.core.evidence import Evidence, Seen  # noqa: E402 - as above
from bringup.core.expectation import voltage_limits  # noqa: E402 - as above
from bringup.core.fault_check import SUPPLY_FAULTS  # noqa: E402 - as above
from bringup.core.faults import Fault, FaultKind  # noqa: E402 - as above
from bringup.core.parts import parts_of  # noqa: E402 - as above
from bringup.core.single_faults import single_faults  # noqa: E402 - as above
from bringup.core.solver import solve, unpowered_resistance  # noqa: E402 - as above
from bringup.files.board_file import load_board  # noqa: E402 - as above
from tests.benchmarks.machine import facts, table  # noqa: E402 - as above
from tests.small_board import small_board  # noqa: E402 - as above


def readings(board: Board, fault: Fault | None, serial: str, chance: random.Random) -> list[Evidence]:
    """What an attempt reads of that unit."""
    parts = parts_of(board, serial)
    faults = () if fault is None else (fault,)
    inputs = {name: each.voltage.number for name, each in board.inputs.items()}
    state = next(iter(board.states), None)
    solution = solve(board, inputs, state=state, faults=faults, parts=parts)
    found = []
    for point in board.points():
        ohms = unpowered_resistance(board, point.name, faults, parts) * chance.uniform(0.9, 1.1) + chance.uniform(
            0, 0.3
        )
        if ohms < 1e9:
            failed = point.ground is not None and not point.ground.accepts(ohms)
            found.append(Evidence(Seen.OHMS, point.name, ohms, {}, state, 0.01, failed))
    for name in board.inputs:
        amps = abs(solution.input_amps[name]) * chance.uniform(0.95, 1.05) + chance.gauss(0, 2e-4)
        limits = expected_current(board, name, inputs[name], state).limits
        failed = limits is not None and not limits.accepts(amps)
        found.append(Evidence(Seen.AMPS, name, amps, inputs, state, 1e-4, failed))
    for name in board.rails:
        if name not in solution.volts:
            continue
        volts = solution.volts[name] * chance.uniform(0.997, 1.003) + chance.gauss(0, 5e-4)
        unsettled = fault is not None and fault.kind is FaultKind.CAPACITOR_MISSING and fault.point == name
        limits = voltage_limits(board, name)[0]
        failed = unsettled or (limits is not None and not limits.accepts(volts))
        found.append(Evidence(Seen.VOLTS, name, volts, inputs, state, 1e-4, failed, unsettled))
    return found


def is_it(one: Fault, true: Fault) -> bool:
    """Whether that is the true fault: the same part, the same way, a fitted value within 5 %."""
    if (one.point, one.kind) != (true.point, true.kind):
        return False
    return one.value == true.value or (
        one.value is not None and true.value is not None and abs(one.value - true.value) <= 0.05 * true.value
    )


def are_alike(board: Board, one: Fault, other: Fault, seen: Sequence[Evidence]) -> bool:
    """Whether readings cannot tell them apart: every prediction differs by less than the reading is uncertain."""
    return all(
        abs(a - b) <= uncertainty(each.seen, max(abs(a), abs(b)))
        for each in seen
        for a, b in [(predicted(board, one, each), predicted(board, other, each))]
        if a != b
    ) and (FaultKind.CAPACITOR_MISSING not in {one.kind, other.kind} or one.kind is other.kind)


def uncertainty(seen: Seen, value: float) -> float:
    """What was added to a reading above, at its most: drift or spread, and three of the noise."""
    if seen is Seen.OHMS:
        return 0.1 * value + 0.3
    return 0.05 * value + 6e-4 if seen is Seen.AMPS else 0.003 * value + 1.5e-3


def predicted(board: Board, fault: Fault, each: Evidence) -> float:
    """What a unit with that fault and all else sound would read."""
    if each.seen is Seen.OHMS:
        return unpowered_resistance(board, each.point, (fault,))
    solution = solve(board, each.inputs, state=each.state, faults=(fault,))
    return abs(solution.input_amps[each.point]) if each.seen is Seen.AMPS else solution.volts[each.point]


def main(pairs: int) -> None:
    """Try and print."""
    chance = random.Random(20261128)  # noqa: S311 - nothing secret
    boards = [load_board(ROOT / "fixtures/boards/mooring-buoy-logger.yaml"), small_board()]
    boards.append(load_board(ROOT / "fixtures/boards/tide-gauge.yaml"))
    places: list[int | None] = []
    excused = within = 0
    missed: dict[str, int] = {}
    number = 0
    while len(places) < pairs:
        number += 1
        board = boards[number % len(boards)]
        faults = [
            fault
            for fault in single_faults(board)
            if fault.kind not in SUPPLY_FAULTS and fault.kind is not FaultKind.BACK_FED
        ]
        fault = chance.choice(faults)
        seen = readings(board, fault, f"MBL-{number:04d}", chance)
        if not any(one.failed for one in seen):
            within += 1
            continue
        leaders = [cause.suspects[0].fault for cause in diagnose(board, seen).causes[:3]]
        right = [leader is not None and is_it(leader, fault) for leader in leaders]
        alike = [leader is not None and are_alike(board, leader, fault, seen) for leader in leaders]
        place = next((at for at in range(len(leaders)) if right[at] or alike[at]), None)
        excused += place == 0 and not right[0]
        places.append(place)
        if place != 0:
            missed[fault.kind] = missed.get(fault.kind, 0) + 1
    blamed = tried = 0
    for number in range(pairs):
        board = boards[number % len(boards)]
        seen = readings(board, None, f"MBL-{number:04d}", chance)
        tried += 1
        blamed += blames(diagnose(board, seen).causes[0].suspects[0])
    first, three = sum(place == 0 for place in places), sum(place is not None for place in places)
    rows = [
        ("", "of", "share", "wanted"),
        ("true cause first", f"{first} of {pairs}", f"{first / pairs:.1%}", "85 %"),
        ("  of these excused", f"{excused} of {pairs}", f"{excused / pairs:.1%}", "at most 15 %"),
        ("among three", f"{three} of {pairs}", f"{three / pairs:.1%}", "97 %"),
        ("sound units blamed", f"{blamed} of {tried}", f"{blamed / tried:.1%}", "under 1 %"),
    ]
    print(f"{pairs} pairs, {within} more were within every limit. {facts()}\n\n{table(rows)}")
    print(f"\nNot first, by kind: {missed}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
