"""What an electronic load may draw is examined before anything is opened, with the line of the step.

The board is small_board's: with 100 mA more from 5V0 (linear) its 12V0 gives 200 mA, so that at 24 V VIN draws
12 * 0.2 / (0.8 * 24) = 125 mA, and 10 mA of its own: 135 mA, by hand.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from bringup.core.bench import Bench, LoadCeiling, LoadRole, SupplyRole
from bringup.core.budget import expected_current
from bringup.core.loaded import amps_drawn, loaded_board
from bringup.core.needs import lacking
from bringup.core.procedure import Action, Apply, OnlyIf, PowerOff, Procedure, Sink, Step
from bringup.core.safety import examine
from bringup.core.safety_load import examine_loads
from bringup.files.dialect_file import find_dialect
from tests.small_board import q, small_board, tiny_board, with_converter

UP = Apply("VIN", (q("24 V"),), q("400 mA"))
DRAW = Sink("5V0", "current", q("100 mA"), q("4 V"))
LOAD = LoadRole(None, "function-and-input", {"5V0": 1}, ceiling=LoadCeiling(q("500 mA"), q("3 W")))
BENCH = Bench("Bench", SupplyRole(None, "select-by-number", {"VIN": 1}), None, load=LOAD)


def procedure(*actions: Action) -> Procedure:
    steps = tuple(Step(index, action, line=10 + index) for index, action in enumerate(actions))
    return Procedure("Loaded", small_board(), steps)


def refused(*actions: Action, bench: Bench | None = BENCH) -> list[str]:
    return [each.message for each in examine_loads(procedure(*actions), bench) if each.refused]


def test_the_loaded_board_draws_what_the_hand_computed() -> None:
    loaded = loaded_board(small_board(), [("5V0", "current", 0.1)])

    assert expected_current(loaded, "VIN", 24.0).amps == pytest.approx(0.135, rel=1e-6)
    assert expected_current(small_board(), "VIN", 24.0).amps == pytest.approx(0.0725, rel=1e-6)
    at_input = loaded_board(small_board(), [("VIN", "resistance", 240.0)])
    assert expected_current(at_input, "VIN", 24.0).amps == pytest.approx(0.1725, rel=1e-6)


def test_each_mode_draws_by_ohms_law() -> None:
    assert [amps_drawn(*each, 5.0) for each in (("current", 0.1), ("resistance", 50.0), ("power", 0.5))] == [0.1] * 3
    assert (amps_drawn("power", 1.0, 0.0), amps_drawn("resistance", 0.0, 5.0)) == (0.0, 0.0)


def test_a_draw_within_every_bound_is_nothing_to_speak_of() -> None:
    assert refused(UP, DRAW, Sink("5V0"), PowerOff()) == []


@pytest.mark.parametrize(("stop", "at", "amps"), [(None, "4.9 V", "510 mA"), ("4 V", "4 V", "625 mA")])
def test_constant_power_is_held_against_the_ceiling_at_the_lowest_volts_it_draws_at(
    stop: str | None, at: str, amps: str
) -> None:
    # 2.5 W: 490 mA at the 5.1 V that 5V0 may have, 510 mA at its 4.9 V, 625 mA just above a stop voltage of 4 V.
    draw = Sink("5V0", "power", q("2.5 W"), None if stop is None else q(stop))
    loaded = replace(LOAD, ceiling=LoadCeiling(q("500 mA"), q("3 W")))

    assert refused(UP, draw, bench=replace(BENCH, load=loaded)) == [
        f"{amps} would be drawn from 5V0 at {at}, above the load's ceiling of 500 mA on this bench"
    ]


@pytest.mark.parametrize("between", [Sink("5V0"), PowerOff()])
@pytest.mark.parametrize("surely", [True, False])
def test_what_may_still_draw_counts_where_the_step_that_ends_it_may_be_left_out(between: Action, surely: bool) -> None:
    # 100 mA from 5V0 make 135 mA, 120 mA from 12V0 are 12 * 0.12 / (0.8 * 24) = 75 mA more: 210 mA, of 200 mA.
    up, other = replace(UP, current_limit=q("200 mA")), Sink("12V0", "current", q("120 mA"), q("10 V"))
    both = replace(LOAD, channels={"5V0": 1, "12V0": 2})
    made = procedure(up, DRAW, between, *([up] if surely else []), other)
    steps = [
        replace(each, only_if=OnlyIf(variant="A")) if each.index == 2 and not surely else each for each in made.steps
    ]
    found = examine_loads(replace(made, steps=tuple(steps)), replace(BENCH, load=both))

    assert any("expected to draw 210 mA" in each.message for each in found if each.refused) == (not surely)


def test_a_load_draws_only_from_what_is_fed() -> None:
    assert refused(DRAW) == ["the load draws from 5V0 while nothing feeds it"]
    assert refused(UP, PowerOff(), DRAW) == ["the load draws from 5V0 while nothing feeds it"]


def test_a_board_that_leaves_power_to_others_is_not_loaded() -> None:
    alone = Procedure("Loaded", replace(tiny_board(), inputs={}), (Step(0, DRAW),))
    found = list(examine_loads(alone, None))

    assert [(each.step, each.refused) for each in found] == [(0, True)]
    assert "the board file names no input: what feeds 5V0 is not this bench's to switch off" in found[0].message


def test_a_tiny_board_file_needs_some_input_to_be_on() -> None:
    steps = (Step(0, UP), Step(1, DRAW))
    assert not [each for each in examine_loads(Procedure("Loaded", tiny_board(), steps), BENCH) if each.refused]
    assert [each.refused for each in examine_loads(Procedure("Loaded", tiny_board(), steps[1:]), BENCH)] == [True]


@pytest.mark.parametrize(
    ("draw", "said"),
    [
        (
            replace(DRAW, level=q("600 mA")),
            "600 mA would be drawn from 5V0 at 5.1 V, above the load's ceiling of 500 mA",
        ),
        (Sink("5V0", "resistance", q("5 Ω")), "1.02 A would be drawn from 5V0 at 5.1 V, above the load's ceiling"),
        (Sink("5V0", "power", q("3.5 W")), "3.5 W would be drawn from 5V0 at 5.1 V, above the load's ceiling of 3 W"),
        (replace(DRAW, stop_voltage=q("6 V")), "the stop voltage of 6 V is not below the 5.1 V of 5V0"),
    ],
)
def test_ceilings_hold_in_every_mode(draw: Sink, said: str) -> None:
    assert any(said in message for message in refused(UP, draw))


def test_the_input_must_be_able_to_give_what_all_draws_take_together() -> None:
    tight = replace(UP, current_limit=q("130 mA"))
    assert refused(tight, DRAW) == [
        "with 100 mA from 5V0, VIN is expected to draw 135 mA, which is not below the current limit of 130 mA"
    ]
    tripped = replace(UP, trip_current=q("120 mA"))
    assert ["trip_current of 120 mA" in each for each in refused(tripped, DRAW)] == [True]
    both = replace(BENCH, load=replace(LOAD, channels={"5V0": 1, "12V0": 2}))
    messages = refused(tight, replace(DRAW, level=q("40 mA")), Sink("12V0", "current", q("80 mA")), bench=both)
    assert ["with 40 mA from 5V0 and 80 mA from 12V0" in each for each in messages] == [True]
    assert (
        refused(tight, replace(DRAW, level=q("40 mA")), Sink("5V0"), Sink("12V0", "current", q("40 mA")), bench=both)
        == []
    )


def test_more_than_its_converter_gives_is_said_and_not_refused() -> None:
    weak = replace(procedure(UP, DRAW), board=with_converter("5V0", current_limit=q("90 mA")))
    found = [each for each in examine_loads(weak, BENCH) if "gives up" in each.message]

    assert [each.refused for each in found] == [False]


def test_a_bench_without_the_load_or_its_channel_is_refused_at_the_step() -> None:
    nobody = replace(BENCH, load=None)
    assert refused(UP, DRAW, bench=nobody) == ["`load` needs an electronic load, and the bench file names none"]
    elsewhere = replace(BENCH, load=replace(LOAD, channels={"12V0": 1}))
    assert refused(UP, DRAW, bench=elsewhere) == [
        "no channel of the load draws from 5V0; the bench file gives {12V0: 1}"
    ]
    found = [each for each in examine(procedure(UP, DRAW), nobody) if "electronic load" in each.message]
    assert [(each.step, each.refused) for each in found] == [(1, True)]


def test_what_the_dialect_lacks_is_found_with_the_step() -> None:
    dialect = find_dialect("function-under-source", ".")
    without = replace(dialect, modes={"current": "CURR"})
    found = list(lacking(procedure(UP, Sink("5V0", "power", q("1 W"))), BENCH, {"load": without}))
    assert [(each.step, each.refused) for each in found] == [(1, True)]
    assert "`load` needs the mode 'power', and the dialect function-under-source has no word for it" in found[0].message

    stops = list(lacking(procedure(UP, Sink("5V0", "power", q("1 W"), q("4 V"))), BENCH, {"load": dialect}))
    assert ["'set_stop_voltage' in constant power" in each.message for each in stops] == [True]
    assert list(lacking(procedure(UP, DRAW), BENCH, {"load": dialect})) == []

    far = replace(BENCH, load=replace(LOAD, remote_sense=True))
    senses = list(lacking(procedure(UP, DRAW), far, {"load": find_dialect("channel-and-mode", ".")}))
    assert ["the bench file says `sense: remote`" in each.message for each in senses] == [True]
