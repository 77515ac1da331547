"""A rail that the unit's assembly variant lacks: not asked for, not drawn from, not simulated."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.before_opening import check_variant
from bringup.core.as_built import as_built, board_as_built, lacking_rails
from bringup.core.board import Rating
from bringup.core.budget import expected_current
from bringup.core.procedure import Apply, Channel, Log, Measure, Procedure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Pair, Resistance
from bringup.core.words import AttemptResult, Kind, StepOutcome
from bringup.errors import CommandError
from bringup.simulation.bench import build
from tests.fakes import FIRST_POWER_ON, simulated_bench, the_bench, the_procedure

SHORT, LONG = "short range", "long range"


def designed(*steps: Step) -> Procedure:
    """The shipped procedure, on a board whose 5 V and what hangs on it only long range units have."""
    procedure = the_procedure(FIRST_POWER_ON)
    board = procedure.board
    rails = {**board.rails, "5V0": replace(board.rails["5V0"], variants=(LONG,))}
    numbered = tuple(replace(step, index=index) for index, step in enumerate(steps))
    return replace(procedure, board=replace(board, rails=rails), steps=numbered or procedure.steps)


def test_what_a_lacking_rail_feeds_is_lacking_too() -> None:
    board = designed().board

    assert set(lacking_rails(board, SHORT)) == {"5V0", "3V3", "1V8", "VREF"}
    assert lacking_rails(board, LONG) == lacking_rails(board, "") == ()
    assert set(board_as_built(board, SHORT).rails) == {"12V0", "N12V"}
    assert board_as_built(board, LONG) is board


def test_ratings_of_parts_on_lacking_rails_are_not_looked_at() -> None:
    volts = parse_quantity("40 V")
    ratings = (Rating("C1", volts, "VIN"), Rating("C5", volts, "5V0"), Rating("C6", volts, "12V0", down_to="VREF"))
    board = replace(designed().board, ratings=ratings)

    assert board_as_built(board, SHORT).ratings == ratings[:1]
    assert board_as_built(board, LONG).ratings == ratings


def test_steps_keep_their_places_and_what_is_left_of_them() -> None:
    seconds = parse_quantity("1 s")
    log = Log((Channel("3V3", Kind.VOLTAGE, "3V3"), Channel("12V0", Kind.VOLTAGE, "12V0")), seconds, seconds)
    steps = (
        Step(0, Resistance(("12V0", "5V0"), (Pair("12V0", "5V0"), Pair("12V0", "N12V")))),
        Step(1, Measure(("3V3",))),
        Step(2, log),
    )

    built = as_built(designed(*steps), SHORT)

    assert built.steps[0].action == Resistance(("12V0",), (Pair("12V0", "N12V"),))
    assert built.steps[1].not_built == "nothing of it is on a unit of the variant short range"
    assert [channel.text for channel in built.steps[2].action.what] == ["12V0"]  # type: ignore[union-attr]
    assert as_built(designed(*steps), LONG) == designed(*steps)


def test_a_unit_without_a_rail_passes_with_no_reason_asked_for_and_the_current_that_it_draws() -> None:
    procedure = as_built(designed(), SHORT)
    whole = designed().board
    steps = tuple(
        replace(step, action=replace(step.action, expect_current=None)) if isinstance(step.action, Apply) else step
        for step in procedure.steps
        if step.kind != "log"
    )
    procedure = replace(procedure, steps=tuple(replace(step, index=index) for index, step in enumerate(steps)))
    bench = simulated_bench(procedure)

    outcome = bench.run(variant=SHORT)

    assert (outcome.result, outcome.cause) == (AttemptResult.PASSED, "")
    assert "override" not in bench.record.kinds()
    less, all_of_it = (expected_current(board, "VIN", 24.0, None).amps for board in (procedure.board, whole))
    assert less is not None
    assert all_of_it is not None
    assert less < 0.8 * all_of_it


def test_a_step_of_which_nothing_is_left_is_left_out_with_the_reason() -> None:
    procedure = as_built(designed(Step(0, Resistance(("3V3",)))), SHORT)
    bench = simulated_bench(procedure)

    outcome = bench.run(variant=SHORT)

    assert outcome.result is AttemptResult.PASSED
    (ended,) = bench.record.ended_steps
    assert ended[1:4] == (StepOutcome.LEFT_OUT, "", "nothing of it is on a unit of the variant short range")


def test_the_simulated_unit_lacks_them_too() -> None:
    bench = the_bench(Path(FIRST_POWER_ON).parents[1] / "fixtures/benches/simulated.yaml").of_variant(SHORT)

    made = build(bench, designed().board, "MBL-0001")

    assert "5V0" not in made.world._board.rails
    assert "12V0" in made.world._board.rails


def test_a_board_whose_rails_depend_on_the_variant_is_not_run_without_one() -> None:
    with pytest.raises(CommandError) as refused:
        check_variant("", designed())

    assert refused.value.message == "no variant is given, and it decides which rails there are"
    check_variant(SHORT, designed())


def test_rails_that_a_unit_lacks_are_neither_swept_nor_read_in_other_ways() -> None:
    volts, second = parse_quantity("24 V"), parse_quantity("1 s")
    steps = (
        Step(0, Sweep((volts,), ("12V0", "3V3"), input="VIN")),
        Step(1, Sweep((parse_quantity("100 mA"),), ("3V3",), load="3V3")),
        Step(2, Ripple(("3V3", "12V0"), "meter", second)),
        Step(3, PowerCycle("VIN", 2, (second,), second, ("3V3", "12V0"))),
    )

    built = as_built(designed(*steps), SHORT)

    assert [step.not_built != "" for step in built.steps] == [False, True, False, False]
    assert built.steps[0].action.rails == built.steps[3].action.rails == ("12V0",)  # type: ignore[union-attr]
    assert built.steps[2].action.points == ("12V0",)  # type: ignore[union-attr]
