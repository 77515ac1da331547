"""Cautions that follow from what the files say: each with its threshold and standard, before the step it belongs to."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from bringup.core.dangers import FIRST, HOT_WATTS, dangers_before, lost_in_converters
from bringup.core.limits import parse_limits
from bringup.core.preview import look_ahead
from bringup.core.procedure import Action, HostProgram, Measure, Procedure, Sink, Step
from bringup.core.quantity import parse_quantity
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.runner.cautions import show_cautions
from bringup.runner.prompts import Answer, Prompt, PromptKind
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


SWEPT = Sweep((parse_quantity("24 V"), parse_quantity("30 V")), ("3V3",), input="VIN", formula="ends over nominal")
LOADED = Sweep((parse_quantity("0 A"), parse_quantity("300 mA")), ("3V3",), load="3V3", formula="ends over full load")
RIPPLE = Ripple(("3V3",), "scope", parse_quantity("10 us"), ground="spring")
CYCLED = PowerCycle("VIN", 2, (parse_quantity("1 s"),), parse_quantity("1 s"), ("3V3",))


def followed_by(procedure: Procedure, *actions: Action) -> Procedure:
    steps = (*picked("apply").steps, *(Step(0, action) for action in actions))
    return replace(procedure, steps=tuple(replace(step, index=index) for index, step in enumerate(steps)))


def test_steps_under_load_and_over_the_range_are_cautioned_about_too() -> None:
    scope = the_bench(BENCH.parent / "simulated-scope.yaml").for_steps()
    load = replace(changed().board.rails["3V3"].loads[0], default=0.62, by_state={})
    converter = changed().board.rails["3V3"].converter
    assert converter is not None
    hot = changed("3V3", loads=(load,), converter=replace(converter, current_limit=None))
    stored = changed("12V0", capacitance=parse_quantity("280 mF"))
    steps = (SWEPT, RIPPLE, CYCLED)

    assert set(told(followed_by(changed(), *steps), "EARTHED SCOPE", scope)) == {
        "apply",
        "sweep",
        "ripple",
        "power_cycle",
    }
    assert set(told(followed_by(hot, *steps), "HOT PARTS: 3V3")) == {"apply", "sweep", "power_cycle"}
    assert set(told(followed_by(stored, *steps), "STORED ENERGY")) == {"apply", "power_cycle"}


def test_what_a_load_draws_and_a_swept_input_count_in_what_a_converter_loses() -> None:
    usual = lost_in_converters(followed_by(changed()))["3V3"]
    sink = Sink("3V3", "current", parse_quantity("300 mA"))
    more = (5.0 - 3.3) * 0.3

    assert lost_in_converters(followed_by(changed(), sink))["3V3"] == pytest.approx(usual + more, rel=0.05)
    assert lost_in_converters(followed_by(changed(), LOADED))["3V3"] == pytest.approx(usual + more, rel=0.05)
    after = Sink("3V3"), Measure(("3V3",))
    assert lost_in_converters(followed_by(changed(), *after))["3V3"] == pytest.approx(usual)
    board = changed().board
    linear = replace(board, rails={**board.rails, "5V0": replace(board.rails["5V0"], source="VIN")})
    directly = replace(changed(), board=linear)
    swept, still = (lost_in_converters(followed_by(directly, *each))["5V0"] for each in ((SWEPT,), ()))
    assert swept > still


@pytest.mark.parametrize("action", [SWEPT, RIPPLE, CYCLED, LOADED])
def test_dangerous_volts_are_told_before_each_step_near_them(action: Action) -> None:
    procedure = followed_by(changed("12V0", expect=parse_limits("60 V .. 70 V")), action)
    prompts: list[Prompt] = []

    def answer(prompt: Prompt) -> Answer:
        prompts.append(prompt)
        return Answer()

    waits = SimpleNamespace(answer=answer)
    setup = SimpleNamespace(procedure=procedure, bench=None, acknowledged=set())
    journal = SimpleNamespace(event=lambda *_: None)
    work: Any = SimpleNamespace(board=procedure.board, can_answer=True, setup=setup, waits=waits, journal=journal)

    show_cautions(work, procedure.steps[1])

    assert [prompt.text.split(".")[0] for prompt in prompts if prompt.danger] == [
        "DANGEROUS VOLTAGE (60 V DC or 30 V AC RMS or more, ES1 of IEC 62368-1): 12V0 70 V"
    ]


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
