"""The input at the board by hand: asked for once, and what the leads come to after a value was corrected."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bringup.core.procedure import Measure
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, How, Kind, Result
from bringup.runner.prompts import Answer, PromptKind
from bringup.simulation.person import Scripted
from tests.test_by_hand_attempt import PROCEDURE, HandBench, at_the_bench, correcting

LEADS = "supply leads"
AT_BOARD = "at the board"


def typing_drop(text: str, typed: str) -> str:
    """24.00 V and 69.0 mA at the supply, 23.92 V at the board."""
    if "does the supply show" in text:
        return {"24 V": "24.00", "0.069": "69.0m"}.get(typed, typed)
    return "23.92" if typed == "23.98" else typed


def leads_of(readings: tuple[Reading, ...]) -> list[Reading]:
    return [each for each in readings if each.aspect == LEADS]


def corrected_to(typed: str, *, of: str, shown: str) -> HandBench:
    """A person who corrects one value of the last stage at the next question."""

    def when(reading: Reading) -> bool:
        return reading.step == 3 and reading.raw == of

    to = Scripted(Answer(typed), kind=PromptKind.TEXT, containing=f"was typed as {shown}")
    return correcting(when, to, change=typing_drop)


def test_what_the_leads_come_to_is_worked_out_again_from_a_corrected_value() -> None:
    outcome = corrected_to("23.90", of="23.92", shown="23.92 V").run()

    old, new = leads_of(outcome.readings)
    assert old.value == pytest.approx(0.08 / 0.069)
    assert new.value == pytest.approx(0.10 / 0.069)
    assert (new.replaces, new.how, new.step) == (old.id, How.DERIVED, old.step)
    assert "23.90" in new.raw


def test_a_drop_that_a_correction_takes_away_leaves_no_resistance_of_the_leads() -> None:
    outcome = corrected_to("23.99", of="23.92", shown="23.92 V").run()

    old, new = leads_of(outcome.readings)
    assert (new.value, new.result, new.replaces) == (None, Result.NOT_JUDGED, old.id)
    assert "no more than supply and meter may differ by" in new.note
    assert outcome.result is AttemptResult.PASSED


def test_a_corrected_current_of_the_supply_is_what_the_leads_are_worked_out_from() -> None:
    outcome = corrected_to("96.0m", of="69.0m", shown="69").run()

    (leads,) = leads_of(outcome.readings)
    assert leads.value == pytest.approx(0.08 / 0.096)


def test_where_a_step_reads_an_input_one_typed_value_serves_as_the_one_at_the_board() -> None:
    hands = at_the_bench()
    steps = tuple(
        replace(step, board_state="sleeping") if isinstance(step.action, Measure) else step for step in PROCEDURE.steps
    )
    states = (*PROCEDURE.board.states, "sleeping")
    hands.bench.procedure = replace(PROCEDURE, steps=steps, board=replace(PROCEDURE.board, states=states))

    outcome = hands.run()

    read = [each for each in outcome.readings if each.point == "VIN" and each.step == 4 and each.kind is Kind.VOLTAGE]
    assert [(each.raw, each.aspect) for each in read] == [("23.98", "")]
