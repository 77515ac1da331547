"""The loop-back check: a supply at 1 V straight into the meter, and how far what they say may lie apart. Pure.

Three voltages should be one: what was set, what the supply reads, what the meter reads. The bound on each pair is the
worst case: the limits of error of both ends added, those of the supply once for its setting and once for its reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal

from bringup.core.accuracy import OF_METER, OF_SUPPLY
from bringup.core.bench import Bench, SupplyRole
from bringup.core.board import Board, Input
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.procedure import Leads, Procedure, Step
from bringup.core.quantity import Quantity
from bringup.core.wording import shown

VOLTS = Decimal(1)
"""Below what any converter starts at, should a board be connected after all."""
AMPS = Decimal("0.05")
"""Enough for a meter, and too little to heat anything that is connected by mistake."""
OVER_VOLTAGE = Decimal(2)
PART_OF_CEILING = Decimal("0.2")
"""Level of the supply's own protection: this, or that part of the bench's ceiling if it is more, for many supplies take
no level below a tenth of what they can (common practice, no source)."""
LEAST_OVER_VOLTAGE = Decimal("1.1")
"""Beneath that a sound supply's turn-on would trip it."""

NOTHING = 0.1
"""Volts, by magnitude, below which a meter is taken to be connected to something else."""

NAME = "Loop-back check"


@frozen
class Allowed:
    """Volts that each pair may lie apart at 1 V, and whether the accuracies are stated or assumed."""

    supply: Decimal
    """What was set and what the supply reads."""
    meter: Decimal
    """What was set and what the meter reads; also what the supply and what the meter reads."""
    said: str

    def around(self, off: Decimal) -> Limits:
        """Return the limits of a reading that may be off so far."""
        return Limits("V", low=VOLTS - off, high=VOLTS + off, nominal=VOLTS)


def allowed(bench: Bench, name: str = "") -> Allowed:
    """Return how far the readings of the supply of that input (''; the first) and of the meter may lie apart."""
    role = bench.supply_of(name)
    meter = None if bench.meter is None else bench.meter.accuracy
    own, other = OF_SUPPLY if role is None or role.accuracy is None else role.accuracy, meter or OF_METER
    at = own.at(VOLTS), other.at(VOLTS)
    supplies = [(each.name, each.accuracy or OF_SUPPLY, each.accuracy) for each in bench.supplies]
    said = "; ".join(
        f"{name} {accuracy} ({'stated' if stated is not None else 'assumed: the bench file states no `accuracy`'})"
        for name, accuracy, stated in (*supplies, ("meter", other, meter))
    )
    return Allowed(2 * at[0], at[0] + at[1], said)


def current_limit(role: SupplyRole) -> Decimal:
    """Return the current limit in amperes: never above the bench's ceiling."""
    ceiling = role.ceiling.current
    return AMPS if ceiling is None else min(AMPS, ceiling.value)


def over_voltage(role: SupplyRole) -> Decimal:
    """Return the level of the supply's over-voltage protection in volts: never above a ceiling that leaves room."""
    ceiling = role.ceiling.voltage
    if ceiling is None:
        return OVER_VOLTAGE
    return max(LEAST_OVER_VOLTAGE, min(max(OVER_VOLTAGE, PART_OF_CEILING * ceiling.value), ceiling.value))


def outputs_of(role: SupplyRole) -> dict[str, int]:
    """Return what is checked: name -> output. Where the bench file names no outputs it is the first one."""
    if not role.outputs:
        return {"output 1": 1}
    once: dict[int, str] = {}
    for name, number in role.outputs.items():
        once.setdefault(number, name)
    return {name: number for number, name in once.items()}


def checked_on(bench: Bench) -> dict[str, tuple[SupplyRole, int]]:
    """Return what is checked on all supplies: name -> its supply, and the output's number on this bench."""
    return {name: (role, role.first + own) for role in bench.supplies for name, own in outputs_of(role).items()}


def procedure_of(bench: Bench) -> Procedure:
    """Return the check as a procedure without a board: each output sensing locally, then remotely where it is to."""
    names = {name: role for name, (role, _) in checked_on(bench).items()}
    volts = Quantity(VOLTS, "V")
    simulated = "no board" if bench.simulate is None else bench.simulate.board_name
    board = Board(simulated, "", "", {name: Input(name, volts) for name in names}, {})
    steps = tuple(
        Step(index, Leads(name, Quantity(current_limit(names[name]), "A")), name=how, title=title)
        for index, (name, how, title) in enumerate(_steps(names))
    )
    return Procedure(NAME, board, steps, path=bench.path)


LOCAL, REMOTE = "sensing locally", "sensing remotely"
"""The names of the steps: where the supply senses in it."""


def _steps(names: Mapping[str, SupplyRole]) -> Iterator[tuple[str, str, str]]:
    for name, role in names.items():
        at_own = ", sensing at its own terminals" if role.remote_sense else ""
        yield name, LOCAL, f"{name} at 1 V into the meter{at_own}"
        if role.remote_sense:
            yield name, REMOTE, f"{name} at 1 V into the meter, sensing at the meter"


def refusal(bench: Bench) -> str:
    """Say why this bench cannot be checked so; '' if it can."""
    supply, meter = bench.supply, bench.meter
    if supply is None or meter is None:
        return f"the bench has no {'supply' if supply is None else 'meter'}: a loop-back check needs both"
    for role in bench.supplies:
        most, whose = role.ceiling.voltage, f"the {role.name}'s" if bench.more_supplies else "the bench's"
        if most is not None and most.value < VOLTS:
            return f"the check is done at 1 V, and {whose} ceiling is {shown(most.number, 'V')}"
    if bench.simulate is not None and supply.by_hand and not meter.by_hand:
        return "the supply is by hand and the meter simulated: no wire leads from one to the other"
    left = [name for name, (role, number) in checked_on(bench).items() if number - role.first in role.leave_alone]
    if left:
        return f"{left[0]} is an output that the bench file says to leave alone"
    return ""


def apart(supply: float | None, meter: float | None, most: Decimal) -> str:
    """Say that supply and meter disagree by more than `most` volts; '' if they agree or one has no value."""
    if supply is None or meter is None or abs(supply - meter) <= float(most) + 1e-9:
        return ""
    return (
        f"the supply reads {shown(supply, 'V', 4)} and the meter {shown(meter, 'V', 4)}, "
        f"{shown(abs(supply - meter), 'V', 3)} apart, where {shown(float(most), 'V', 3)} is permitted"
    )


def meant(meter: float | None, *, set_wrong: bool, remote: bool) -> str:
    """Say what a wrong reading most likely comes from."""
    if meter is None:
        return ""
    if abs(meter) < NOTHING:
        return "nothing arrives: the meter is not connected, is on another output, or measures something else"
    if meter < 0:
        return "the leads are reversed"
    if remote:
        return "a sense lead is open, loose or swapped"
    if set_wrong:
        return "the supply's setting or its own reading is off, or something else is connected"
    return "the meter or its leads, the contacts, or the supply's reading"
