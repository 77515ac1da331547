"""What may be powered and drawn when a step begins, and that every rule about it takes the same from it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest

from bringup.core.fed import Fed, walk
from bringup.core.finding import Finding
from bringup.core.procedure import Action, Apply, OnlyIf, PowerOff, Procedure, Sink, Step
from bringup.core.quantity import parse_quantity
from bringup.core.safety_cycle import examine_cycles
from bringup.core.safety_load import examine_loads
from bringup.core.safety_sweep import examine_sweeps
from bringup.core.under_load import PowerCycle, Sweep
from tests.fakes import picked, with_steps


def the_apply() -> Apply:
    action = picked("apply").steps[0].action
    assert isinstance(action, Apply)
    return action


APPLY = the_apply()
WEAK = replace(APPLY, current_limit=parse_quantity("80 mA"), trip_current=None)
DRAW, LESS = (Sink("3V3", "current", parse_quantity(level)) for level in ("100 mA", "20 mA"))
SWEEP = Sweep((parse_quantity("24 V"), parse_quantity("20 V")), ("3V3",), input="VIN", formula="ends over nominal")
LOAD_SWEEP = Sweep(
    (parse_quantity("0 A"), parse_quantity("50 mA")), ("3V3",), load="3V3", formula="ends over full load"
)
CYCLE = PowerCycle("VIN", 2, (parse_quantity("1 s"),), parse_quantity("1 s"))
PERHAPS = OnlyIf(attended=True)


def steps(*actions: Action | tuple[Action, OnlyIf]) -> Procedure:
    made = [Step(0, each[0], only_if=each[1]) if isinstance(each, tuple) else Step(0, each) for each in actions]
    return with_steps(*made)


def at_end(*actions: Action | tuple[Action, OnlyIf]) -> Fed:
    return list(walk(steps(*actions, CYCLE)))[-1][2]


@pytest.mark.parametrize(
    ("before", "applied", "drawn"),
    [
        ((APPLY,), [APPLY], []),
        ((APPLY, PowerOff()), [], []),
        ((APPLY, DRAW, (PowerOff(), PERHAPS)), [APPLY], [DRAW]),
        ((APPLY, WEAK), [WEAK], []),
        ((APPLY, (WEAK, PERHAPS)), [APPLY, WEAK], []),
        ((APPLY, DRAW, Sink("3V3")), [APPLY], []),
        ((APPLY, DRAW, (Sink("3V3"), PERHAPS)), [APPLY], [DRAW]),
        ((APPLY, DRAW, (LESS, PERHAPS)), [APPLY], [DRAW]),
        ((APPLY, DRAW, LESS), [APPLY], [LESS]),
        ((APPLY, DRAW, LOAD_SWEEP), [APPLY], []),
    ],
)
def test_what_depends_on_a_condition_may_not_have_been_done(
    before: tuple[Action, ...], applied: list[Apply], drawn: list[Sink]
) -> None:
    fed = at_end(*before)

    assert list(fed.applied.get("VIN", ())) == applied
    assert list(fed.drawn.values()) == drawn


def messages(found: Iterable[Finding]) -> list[str]:
    return [each.message for each in found if each.refused]


def test_a_power_off_on_a_condition_leaves_every_rule_with_what_was_on() -> None:
    perhaps_off = (PowerOff(), PERHAPS)

    assert messages(examine_sweeps(steps(APPLY, perhaps_off, SWEEP), None)) == []
    assert messages(examine_cycles(steps(APPLY, perhaps_off, CYCLE), None)) == []
    assert messages(examine_loads(steps(APPLY, perhaps_off, DRAW), None)) == []
    (drawing,) = messages(examine_cycles(steps(APPLY, DRAW, perhaps_off, CYCLE), None))
    assert drawing.startswith("the load would still draw from 3V3")


def test_each_apply_by_which_an_input_may_be_powered_has_room_for_what_follows() -> None:
    perhaps_weak = (WEAK, PERHAPS)

    (swept,) = messages(examine_sweeps(steps(APPLY, DRAW, perhaps_weak, SWEEP), None))
    (loaded,) = messages(examine_loads(steps(APPLY, perhaps_weak, DRAW), None))

    assert "not below the current limit of 80 mA" in swept
    assert "not below the current limit of 80 mA" in loaded


def test_an_input_is_not_swept_to_where_rails_stop_while_a_later_one_is_on() -> None:
    procedure = steps(APPLY, replace(APPLY, input="AUX"), replace(SWEEP, looks_for="stop"))
    board = procedure.board
    aux = replace(board.inputs["VIN"], name="AUX", after=("VIN",))
    procedure = replace(procedure, board=replace(board, inputs={**board.inputs, "AUX": aux}))

    found = messages(examine_sweeps(procedure, None))

    assert found == ["VIN is swept to where rails stop while AUX is on, which is powered after it only"]


def test_inputs_come_after_others_over_several_steps() -> None:
    board = with_steps().board
    chain = {"B": ("VIN",), "C": ("B",), "D": ()}
    inputs = {name: replace(board.inputs["VIN"], name=name, after=after) for name, after in chain.items()}
    board = replace(board, inputs={"C": inputs["C"], "D": inputs["D"], "B": inputs["B"], **board.inputs})

    assert board.powered_after("VIN") == ("C", "B")
    assert board.powered_after("C") == ()
