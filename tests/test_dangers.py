"""Cautions that follow from what the files say: each with its threshold and standard, before the step it belongs to."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from bringup.core.dangers import FIRST, HOT_WATTS, dangers_before, lost_in_converters
from bringup.core.limits import parse_limits
from bringup.core.preview import look_ahead
from bringup.core.procedure import HostProgram, Procedure, Step
from bringup.core.quantity import parse_quantity
from bringup.runner.prompts import PromptKind
from bringup.simulation.person import SimulatedPerson
from tests.fakes import BENCH, FIRST_POWER_ON, SEEN, picked, simulated_bench, the_bench, the_procedure

POWER = ("resistance", "leads", "apply", "measure", "log", "power_off")


def changed(rail: str = "5V0", **facts: Any) -> Procedure:
    procedure = the_procedure(FIRST_POWER_ON)
    board = procedure.board
    return replace(procedure, board=replace(board, rails={**board.rails, rail: replace(board.rails[rail], **facts)}))


def told(procedure: Procedure, word: str, bench: Any = None) -> dict[str, str]:
    """Kind of step -> the caution before it that begins with that word."""
    return {
        step.kind: text
        for step in procedure.steps
        for text in dangers_before(step, procedure, bench)
        if text.startswith(word)
    }


def test_a_board_that_can_hurt_nobody_is_cautioned_about_nowhere() -> None:
    procedure = the_procedure(FIRST_POWER_ON)

    assert [text for step in procedure.steps for text in dangers_before(step, procedure, the_bench(BENCH))] == []


def test_a_lithium_cell_is_told_before_ohms_and_before_power() -> None:
    found = told(changed(cell="lithium"), "LITHIUM CELL at 5V0")

    assert set(found) == {"resistance", "apply"}
    assert "4.2 V" in found["apply"]
    assert "IEC 62133-2" in found["apply"]
    assert told(changed(cell="other"), "LITHIUM") == {}


def test_what_may_stay_live_and_programs_are_told_as_feeds() -> None:
    live = told(changed(stays_live=parse_limits("0 V .. 3.3 V")), "FED FROM BEHIND: 5V0 may stay live")
    procedure = the_procedure(FIRST_POWER_ON)
    program = Step(0, HostProgram(("flasher",), parse_quantity("60 s")))
    programmed = replace(procedure, steps=(program, *procedure.steps))

    assert set(live) == set(told(programmed, "FED FROM BEHIND: programs reach the board")) == {"resistance", "apply"}
    assert "more than 50 mV" in live["apply"]


def test_energy_in_capacitors_is_told_from_20_joules_on() -> None:
    # C = 2 E / U²: 12 V
    some, more = (changed("12V0", capacitance=parse_quantity(f"{farads} mF")) for farads in (270, 280))

    assert told(some, "STORED") == {}
    found = told(more, "STORED ENERGY: 12V0 20 J")
    assert set(found) == {"resistance", "apply", "power_off"}
    assert "IEC 60950-1" in found["apply"]


def test_a_converter_that_loses_a_watt_is_told_before_power() -> None:
    load = replace(changed().board.rails["3V3"].loads[0], default=0.45, by_state={})
    procedure = changed("3V3", loads=(load,))
    lost = lost_in_converters(procedure)

    # a linear regulator from 5 V to 3.3 V loses what lies between, less what its input and output sag
    assert lost["3V3"] == pytest.approx((5.0 - 3.3) * 0.45, rel=0.05)
    assert lost["3V3"] < HOT_WATTS
    assert told(procedure, "HOT") == {}
    hotter = replace(load, default=0.62)
    converter = changed().board.rails["3V3"].converter
    assert converter is not None
    hot = changed("3V3", loads=(hotter,), converter=replace(converter, current_limit=None))
    assert set(told(hot, "HOT PARTS: 3V3 1")) == {"apply"}
    assert "ECMA-287" in told(hot, "HOT")["apply"]


def test_the_scope_of_a_bench_is_told_though_no_step_asks_it() -> None:
    scope = the_bench(BENCH.parent / "simulated-scope.yaml").for_steps()
    procedure = the_procedure(FIRST_POWER_ON)

    assert scope.scope is None
    assert set(told(procedure, "EARTHED SCOPE", scope)) == {"leads", "apply", "measure", "log"}


def test_each_is_acknowledged_once_per_sitting_and_says_what_comes_first() -> None:
    procedure = changed(cell="lithium")
    steps = picked("resistance", "apply").steps
    bench = simulated_bench(replace(procedure, steps=steps), history=SEEN)
    person = SimulatedPerson(attended=True, clock=bench.clock)
    seen: set[str] = set()

    bench.run(ask=person, acknowledged=seen)
    again = simulated_bench(replace(procedure, steps=steps), history=SEEN)
    other = SimulatedPerson(attended=True, clock=again.clock)
    again.run(ask=other, acknowledged=seen)

    shown = [prompt for prompt, _ in person.asked if prompt.kind is PromptKind.CAUTION]
    assert [prompt.text.split(":")[0] for prompt in shown] == ["LITHIUM CELL at 5V0"]
    assert shown[0].lines == (FIRST,)
    assert ("caution", shown[0].text) in [(kind, text) for kind, text, _ in bench.record.events]
    assert not [prompt for prompt, _ in other.asked if prompt.kind is PromptKind.CAUTION]


def test_the_preview_shows_them_at_their_steps() -> None:
    page = look_ahead(changed(cell="lithium"), None)

    cautioned = [step.step.kind for step in page.steps if any("LITHIUM" in text for text in step.cautions)]
    assert cautioned == ["resistance", "apply"]
