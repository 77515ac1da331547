"""How often `diagnose` names the true cause: random single faults on random units, read with noise.

    python tests/benchmarks/diagnosis.py [PAIRS]

A pair is a fault of `single_faults` and a unit (its parts drawn from a serial number). Read are the resistances, the
input current and every rail, each with the meter's noise, and with what the solver does not know: a drift of every
converter (to 0.3 %), of efficiencies (input current to 5 %) and of resistances (to 10 %), contact resistance (to
0.3 ohm). Pairs in which nothing is beyond its limits are not counted as faults. The rule, fixed before: the true cause
counts as named if it, or one that the readings do not tell from it, is in that group. Also: how often a sound unit is
blamed.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from bringup.core.board import Board  # noqa: E402 - found through the line above
from bringup.core.budget import expected_current  # noqa: E402 - as above
from bringup.core.diagnosis import diagnose  # noqa: E402 - as above
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


def main(pairs: int) -> None:
    """Try and print."""
    chance = random.Random(20261128)  # noqa: S311 - nothing secret
    boards = [load_board(ROOT / "fixtures/boards/mooring-buoy-logger.yaml"), small_board()]
    boards.append(load_board(ROOT / "fixtures/boards/tide-gauge.yaml"))
    first = three = counted = within = 0
    missed: dict[str, int] = {}
    for number in range(pairs):
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
        counted += 1
        causes = diagnose(board, seen).causes
        key = (fault.point, fault.kind)
        place = next(
            (
                at
                for at, cause in enumerate(causes)
                if key in {(each.fault.point, each.fault.kind) for each in cause.suspects if each.fault is not None}
            ),
            len(causes),
        )
        first += place == 0
        three += place < 3
        if place:
            missed[fault.kind] = missed.get(fault.kind, 0) + 1
    blamed = tried = 0
    for number in range(pairs):
        board = boards[number % len(boards)]
        seen = readings(board, None, f"MBL-{number:04d}", chance)
        leader = diagnose(board, seen).causes[0].suspects[0]
        tried += 1
        blamed += leader.fault is not None
    rows = [
        ("", "of", "share", "wanted"),
        ("true cause first", f"{first} of {counted}", f"{first / counted:.1%}", "85 %"),
        ("among three", f"{three} of {counted}", f"{three / counted:.1%}", "97 %"),
        ("sound units blamed", f"{blamed} of {tried}", f"{blamed / tried:.1%}", "under 1 %"),
    ]
    print(f"{pairs} pairs, {within} within every limit. {facts()}\n\n{table(rows)}")
    print(f"\nNot first, by kind: {missed}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
