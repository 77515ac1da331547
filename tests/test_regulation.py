"""In which order inputs and rails come: the board file's order of inputs, and rails timed as far as a meter sees."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.faults import Fault, FaultKind
from bringup.core.procedure import Apply, OnlyIf, PowerOff, Procedure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.reading import Reading
from bringup.core.regulation import NOT_WITHIN, Rise, order_of
from bringup.core.safety import examine
from bringup.core.safety_order import examine_order
from bringup.core.words import AttemptResult, How, Kind, Result
from bringup.files.board_file import load_board
from tests.fakes import ROOT, SEEN, picked, simulated_bench, the_bench, with_steps
from tests.test_by_hand_attempt import at_the_bench
from tests.test_scanning import scanned

APPLY = picked("apply").steps[0].action


def timing(*rails: str) -> Procedure:
    assert isinstance(APPLY, Apply)
    return with_steps(Step(0, replace(APPLY, time_to_regulation=rails)))


def times(readings: tuple[Reading, ...]) -> list[Reading]:
    return [each for each in readings if each.kind is Kind.TIME]


def test_the_time_to_regulation_is_an_interval_with_the_meters_own_resolution() -> None:
    outcome = simulated_bench(timing("3V3"), history=SEEN).run()

    (reading,) = times(outcome.readings)
    assert (outcome.result, reading.point, reading.aspect, reading.how) == (
        AttemptResult.PASSED,
        "3V3",
        "to regulation",
        How.DERIVED,
    )
    assert reading.value is not None
    assert reading.resolution in (0.001, 0.01), "two digits of what is an interval"
    # soft starts of 4 ms, 2 ms and 0.5 ms, of which a meter that averages over 20 ms sees next to nothing
    assert 0.0065 < reading.value < 0.2
    assert re.fullmatch(r"(after < [0-9.]+ ms|between [0-9.]+ m?s and [0-9.]+ ms), [1-3] readings?", reading.note)


def test_a_rail_that_never_gets_there_is_not_judged_by_that_and_its_time_has_no_value() -> None:
    bench = simulated_bench(timing("3V3"), faults=[Fault("3V3", FaultKind.NOT_FITTED)], history=SEEN)

    outcome = bench.run()

    (reading,) = times(outcome.readings)
    assert (reading.value, reading.result) == (None, Result.NOT_JUDGED)
    assert reading.note == f"not in regulation within {NOT_WITHIN:g} s"


def test_a_person_is_too_slow_to_time_a_start_and_is_not_asked_to() -> None:
    hands = at_the_bench()
    steps = tuple(
        replace(step, action=replace(step.action, time_to_regulation=("3V3",)))
        if isinstance(step.action, Apply)
        else step
        for step in hands.bench.procedure.steps
    )
    hands.bench.procedure = replace(hands.bench.procedure, steps=steps)

    outcome = hands.run()

    assert times(outcome.readings) == []
    (text,) = [text for kind, text, _ in hands.bench.record.events if kind == "regulation"]
    assert text == "the start of 3V3 is not timed: the meter is read by hand, which takes longer"


@pytest.mark.parametrize(
    ("rises", "words"),
    [
        ([Rise("3V3", 0.4, 0.8), Rise("12V0", 0.0, 0.4)], "12V0, then 3V3"),
        ([Rise("3V3", 0.0, 0.4), Rise("12V0", 0.0, 0.5)], "3V3 or 12V0 (too close to tell)"),
        ([Rise("3V3", 2.0, None), Rise("12V0", 0.0, 0.5)], "12V0"),
        ([], ""),
    ],
)
def test_an_order_is_only_told_where_the_intervals_lie_apart(rises: list[Rise], words: str) -> None:
    assert order_of(rises) == words


@given(st.lists(st.tuples(st.floats(0, 9), st.floats(0.01, 9)), min_size=1, max_size=6))
def test_every_rail_that_came_stands_in_the_order_once(spans: list[tuple[float, float]]) -> None:
    rises = [Rise(f"R{index}", after, after + width) for index, (after, width) in enumerate(spans)]

    words = order_of(rises).replace(" (too close to tell)", "").replace(", then ", " or ").split(" or ")

    assert sorted(words) == sorted(rise.rail for rise in rises)


def powering(*names: str) -> Procedure:
    board = load_board(ROOT / "fixtures/boards/tide-gauge.yaml")
    first, second = list(board.inputs)[:2]
    inputs = {**board.inputs, second: replace(board.inputs[second], after=(first,))}
    q = parse_quantity
    steps = [Step(i, Apply(name, (board.inputs[name].voltage,), q("200 mA"))) for i, name in enumerate(names)]
    return replace(picked("apply"), board=replace(board, inputs=inputs), board_state=None, steps=tuple(steps))


def test_an_input_that_comes_after_another_is_refused_before_it() -> None:
    first, second = list(powering().board.inputs)[:2]

    found = [each for each in examine_order(powering(second, first)) if "puts it after" in each.message]

    assert [(each.step, each.refused) for each in found] == [(0, True)]
    assert not [each for each in examine_order(powering(first, second)) if "puts it after" in each.message]


def test_an_input_whose_forerunner_is_not_on_by_then_stays_off() -> None:
    first, second = list(powering().board.inputs)[:2]
    bench = simulated_bench(
        powering(second), history=SEEN, bench_path=ROOT / "fixtures/benches/simulated-tide-gauge.yaml"
    )

    outcome = bench.run(serial="TG-001")

    assert outcome.result is AttemptResult.INCOMPLETE
    assert outcome.cause == f"step 1 (apply): {second} is powered after {first} only, which is not on"
    assert outcome.off_verified is None


def test_an_input_is_not_applied_anew_while_one_that_comes_after_it_may_be_on() -> None:
    first, second = list(powering().board.inputs)[:2]
    again = powering(first, second, first)
    off = replace(again, steps=(*again.steps[:2], Step(2, PowerOff()), replace(again.steps[2], index=3)))
    perhaps = replace(off, steps=(*off.steps[:2], replace(off.steps[2], only_if=OnlyIf(attended=True)), off.steps[3]))

    found = [[each for each in examine_order(each) if "would go off and on" in each.message] for each in (again, off)]

    assert [(each.step, each.refused) for each in found[0]] == [(2, True)]
    assert found[1] == []
    assert [each.step for each in examine_order(perhaps) if "would go off and on" in each.message] == [3]


def test_what_comes_after_an_input_goes_off_before_it_should_it_be_applied_anew() -> None:
    first, second = list(powering().board.inputs)[:2]
    bench = simulated_bench(
        powering(first, second, first), history=SEEN, bench_path=ROOT / "fixtures/benches/simulated-tide-gauge.yaml"
    )

    outcome = bench.run(serial="TG-001")

    assert outcome.result is AttemptResult.INCOMPLETE
    assert outcome.cause == f"step 3 (apply): {second} went off, for {first} was applied anew"
    power = [text.split(",")[0] for kind, text, _ in bench.record.events if kind == "power" and " OFF" in text]
    assert power == [f"{second} OFF", f"{first} OFF", f"{first} OFF"]


def test_volts_that_damage_a_rail_on_its_way_up_cut_power_and_are_kept() -> None:
    procedure = timing("3V3")
    rails = {**procedure.board.rails, "3V3": replace(procedure.board.rails["3V3"], damage_above=parse_quantity("1 V"))}
    bench = simulated_bench(replace(procedure, board=replace(procedure.board, rails=rails)), history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED, outcome.cause
    assert "above the 1 V that damage it" in outcome.cause
    (kept,) = [each for each in outcome.readings if each.point == "3V3" and each.kind is Kind.VOLTAGE]
    assert (kept.aspect, (kept.value or 0.0) > 1.0) == ("coming up", True)
    assert outcome.off_verified


def test_too_much_current_ends_the_timing_at_once_and_the_ramp_with_it() -> None:
    # A rail that never comes is timed for as long as that may last; 5V0 draws 300 mA beyond its loads meanwhile.
    faults = [Fault("3V3", FaultKind.NOT_FITTED), Fault("5V0", FaultKind.EXCESS_LOAD, 0.3)]
    bench = simulated_bench(timing("3V3"), faults=faults, history=SEEN)

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    (rise,) = times(outcome.readings)
    current = next(each for each in outcome.readings if each.result is Result.FAIL)
    assert (current.point, current.kind, current.aspect) == ("VIN", Kind.CURRENT, "18 V")
    assert 0 < current.monotonic - rise.monotonic < 0.5
    assert re.fullmatch(r"not in regulation within 0\.[2-6][0-9]? s|not in regulation within [2-6][0-9]+ ms", rise.note)
    assert not any(each.aspect == "24 V" for each in outcome.readings)


def slowly(procedure: Procedure, **soft_starts: str) -> Procedure:
    """The same on a board whose converters take so long to start."""
    rails = dict(procedure.board.rails)
    for name, text in soft_starts.items():
        rail = rails[name.removeprefix("r")]
        assert rail.converter is not None
        rails[rail.name] = replace(rail, converter=replace(rail.converter, soft_start=parse_quantity(text)))
    return replace(procedure, board=replace(procedure.board, rails=rails))


def test_a_scanner_times_several_rails_in_one_start_and_tells_their_order() -> None:
    of = slowly(timing("3V3", "12V0", "5V0"), r12V0="200 ms", r5V0="500 ms", r3V3="900 ms")
    made = scanned(of=of)

    outcome = made.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    read = {each.point: each for each in times(outcome.readings)}
    assert list(read) == ["3V3", "12V0", "5V0"]
    assert all(each.note.startswith("between ") for each in read.values())
    assert [text for kind, text, _ in made.bench.record.events if kind == "regulation"] == [
        "into regulation came: 12V0, then 5V0, then 3V3"
    ]
    assert made.relays.tied == 0
    assert made.asked() == []


def test_what_lies_closer_than_a_scanner_can_tell_is_not_put_into_an_order() -> None:
    made = scanned(of=timing("3V3", "12V0"))

    outcome = made.run()

    (text,) = [text for kind, text, _ in made.bench.record.events if kind == "regulation"]
    assert text == "into regulation came: 12V0 or 3V3 (too close to tell)"
    assert {each.point for each in times(outcome.readings) if each.value is not None} == {"3V3", "12V0"}


def test_a_point_that_is_not_connected_says_nothing_of_its_start() -> None:
    made = scanned(of=timing("12V0", "3V3"))
    made.bench.clock.at(0.5, lambda: made.relays.stuck_open.add(104))

    outcome = made.run()

    read = {each.point: each for each in times(outcome.readings)}
    assert read["12V0"].value is not None
    assert (read["3V3"].value, read["3V3"].result) == (None, Result.NOT_JUDGED)


def test_a_hand_cannot_follow_several_rails_as_they_come_up() -> None:
    by_hand = the_bench(ROOT / "fixtures/benches/simulated-by-hand-probing.yaml")
    words = "12V0 and 3V3 are to be timed in one start, and the probe is held by hand"

    assert words in [each.message for each in examine(timing("12V0", "3V3"), by_hand) if each.refused]
    assert words not in [each.message for each in examine(timing("3V3"), by_hand)]
