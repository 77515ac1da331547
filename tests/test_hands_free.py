"""A probe held by hand and a connected meter: what is taken by itself, what takes a key, what keys do meanwhile."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import pytest

from bringup.core.bench import SupplyRole
from bringup.core.board import Board
from bringup.core.quantity import parse_quantity
from bringup.core.reading import new_id
from bringup.core.words import AttemptResult, How, Result
from bringup.errors import LogbookError
from bringup.host.vigil import Vigil
from bringup.runner.by_hand import HandSupply
from bringup.runner.held import UNREAD
from bringup.runner.pending import Pending
from bringup.runner.probe_search import sought
from bringup.runner.prompts import Answer, Prompt
from bringup.runner.records import Interruption
from bringup.runner.roles import Done
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.hand import Touching, bounced, course_to
from bringup.simulation.person import Scripted
from tests.fakes import SimulatedBench
from tests.logbook_samples import volts
from tests.probe_hand import CourseOf, held, measured, offers
from tests.test_guarding import Listening


def with_two_alike() -> Board:
    board = held("3V3").board
    return replace(board, rails={**board.rails, "3V3A": replace(board.rails["3V3"], name="3V3A", probe="TP8")})


def press(bench: SimulatedBench, key: str, at: float) -> None:
    bench.clock.at(at, lambda: bench.ask._keys.append(key))  # type: ignore[attr-defined]


def first_on(other: str | float | None, seconds: float) -> CourseOf:
    """A hand that puts the probe on something else first, for so long."""

    def course(point: str, now: float) -> Sequence[Touching]:
        at = now + 0.8
        there = [Touching(at, None), *bounced(other, at + 0.5, point, now)]
        return [*there, Touching(at + 0.5 + seconds, None), *bounced(point, at + 1.2 + seconds, now)]

    return course


def test_every_rail_is_taken_without_a_key_and_the_supply_is_watched_all_the_while() -> None:
    bench = held("12V0", "5V0", "3V3", "1V8", "VREF", "N12V")

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    assert list(measured(bench)) == ["12V0", "5V0", "3V3", "1V8", "VREF", "N12V"]
    assert offers(bench) == []
    polls = [sample.monotonic for batch in bench.record.batches for sample in batch]
    assert max(later - sooner for sooner, later in pairwise(polls)) < 0.4


def test_a_probe_on_the_wrong_rail_is_told_by_name_and_nothing_is_taken() -> None:
    bench = held("12V0", "3V3", courses={"3V3": first_on("5V0", 4.0)}, agrees=lambda _: False)

    bench.run()

    (said,) = offers(bench)
    assert "TP4 (3V3) reads 4.9" in said or "TP4 (3V3) reads 5.0" in said
    assert "this reads like 5V0, at TP3" in said
    assert "FAILED reading" in said
    assert measured(bench)["3V3"] == pytest.approx(3.3, abs=0.03)


def test_what_does_not_fit_is_kept_as_failed_by_one_key() -> None:
    bench = held("12V0", "3V3", courses={"3V3": first_on(2.9, 30.0)})

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause.startswith("step 2 (measure): 3V3 voltage 2.9")
    assert "outside 3.3 V ± 2 %" in offers(bench)[0]


def test_two_rails_that_read_alike_take_one_key_each() -> None:
    bench = held("5V0", "3V3", "3V3A", board=with_two_alike())

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED
    assert len(offers(bench)) == 2
    assert "this reads like 3V3A, at TP8" in offers(bench)[0]
    assert [kind for kind, text, _ in bench.record.events if "taken by a key" in text] == ["probe", "probe"]


def test_a_probe_that_slides_over_without_leaving_takes_a_key() -> None:
    def slides(point: str, now: float) -> Sequence[Touching]:
        return [Touching(now + 1.0, point)]

    bench = held("5V0", "3V3", courses={"3V3": slides})

    bench.run()

    assert ["the probe was not seen to leave TP3 (5V0)" in text for text in offers(bench)] == [True]


def test_an_open_probe_is_no_reading_and_no_zero() -> None:
    def stays_in_the_air(_: str, now: float) -> Sequence[Touching]:
        return [Touching(now + 0.5, None)]

    bench = held("12V0", "3V3", courses={"3V3": stays_in_the_air}, agrees=lambda _: False)
    bench.clock.interrupt(Interruption.CTRL_C, 20.0)

    outcome = bench.run()

    assert outcome.result is AttemptResult.CALLED_OFF
    assert outcome.off_verified is True
    assert "3V3" not in measured(bench)
    assert "an open probe reads like that, too" in offers(bench)[0]


def test_taking_the_last_reading_again_keeps_the_first_one_beside_it() -> None:
    bench = held("12V0", "5V0")

    def after_the_first() -> None:
        if "12V0" in measured(bench):
            bench.ask._keys.append("r")  # type: ignore[attr-defined]
        else:
            bench.clock.at(bench.clock.monotonic() + 0.05, after_the_first)

    bench.clock.at(1.0, after_the_first)

    outcome = bench.run()

    first, second, _ = [each for each in bench.record.readings if each.step == 1]
    assert (first.point, second.point) == ("12V0", "12V0")
    assert first.replaces is None
    assert second.replaces == first.id
    assert (first.note, second.note) == ("", "again")
    assert outcome.result is AttemptResult.PASSED


def when_sought(bench: SimulatedBench, point: str, keys: str, after: float = UNREAD) -> None:
    """Press these keys once that point is the one to go to, and could be read."""

    def press() -> None:
        bench.ask._keys.extend(keys)  # type: ignore[attr-defined]

    def look() -> None:
        if any(told.kind == "probing" and told.data.get("point") == point for told in bench.told):
            bench.clock.at(bench.clock.monotonic() + after, press)
        else:
            bench.clock.at(bench.clock.monotonic() + 0.05, look)

    bench.clock.at(0.5, look)


def answering(bench: SimulatedBench, containing: str, text: str) -> None:
    bench.ask._script.append(Scripted(Answer(text), containing=containing))  # type: ignore[attr-defined]


def test_a_point_is_left_out_with_a_reason_and_the_unit_is_incomplete() -> None:
    bench = held("12V0", "5V0", "3V3")
    when_sought(bench, "5V0", "l")
    answering(bench, "Why leave out TP3 (5V0)", "the pad is covered in lacquer")

    outcome = bench.run()

    (left_out,) = [each for each in bench.record.readings if each.point == "5V0"]
    assert left_out.result is Result.NO_VALUE
    assert left_out.note == "left out: the pad is covered in lacquer"
    assert measured(bench)["3V3"] is not None
    assert outcome.result is AttemptResult.INCOMPLETE


def test_a_key_that_was_meant_for_the_point_before_leaves_nothing_out() -> None:
    bench = held("12V0", "5V0", "3V3")
    when_sought(bench, "5V0", "l", after=0.0)

    outcome = bench.run()

    said = "l came before TP3 (5V0) could be read here: press it again to leave that point out"
    assert [told.text for told in bench.told if told.text.startswith("l came")] == [said]
    assert outcome.result is AttemptResult.PASSED


def test_an_extra_reading_of_any_point_is_taken_on_the_way() -> None:
    bench = held("12V0", "5V0")
    when_sought(bench, "5V0", "x")
    answering(bench, "of which point or node", "tp4")

    outcome = bench.run()

    extra = next(each for each in bench.record.readings if each.aspect == "extra")
    assert (extra.point, extra.result) == ("3V3", Result.PASS)
    assert list(measured(bench)) == ["12V0", "3V3", "5V0"]
    assert outcome.result is AttemptResult.PASSED


def damaged_above(bench: SimulatedBench, name: str, limit: str) -> None:
    damaging = replace(bench.board.rails[name], damage_above=parse_quantity(limit))
    bench.procedure = replace(bench.procedure, board=replace(bench.board, rails={**bench.board.rails, name: damaging}))


def off_after(bench: SimulatedBench, touching: Sequence[Touching], touch: float) -> tuple[AttemptOutcome, float]:
    """Run with the probe on its way to 3V3 on this course; return how long after the touch the output was off.

    The touch, as all times of the course, in seconds after the hand was told to go there.
    """
    off: list[float] = []

    def look() -> None:
        if not bench.on():
            off.append(bench.clock.monotonic())

    def course(_: str, now: float) -> Sequence[Touching]:
        for later in range(5000):
            bench.clock.at(now + touch + later / 1000, look, wakes=False)
        off.append(now + touch)
        return [Touching(now + each.at, each.on) for each in touching]

    tidy = bench.world.hand

    def hand(point: str | None, now: float) -> None:
        if point == "3V3":
            bench.world.follow(course(point, now), now)
        else:
            tidy(point, now)

    bench.world.hand = hand  # type: ignore[method-assign]
    outcome = bench.run()
    return outcome, off[1] - off[0] if len(off) > 1 else math.inf


def test_volts_that_damage_and_fit_nothing_else_cut_power_and_are_asked_about() -> None:
    bench = held("12V0", "3V3", courses={"3V3": first_on(6.4, 1.0)})
    damaged_above(bench, "3V3", "4 V")
    answering(bench, "Was the probe on TP4 (3V3) just then?", "no, it was on something else")

    outcome = bench.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.off_verified is True
    assert "elsewhere than at 3V3" in outcome.cause
    assert "3V3" not in measured(bench)


def trips_of(bench: SimulatedBench) -> list[str]:
    return [text for kind, text, _ in bench.record.events if kind == "trip"]


def test_a_probe_that_was_elsewhere_is_no_trip() -> None:
    bench = held("12V0", "3V3", courses={"3V3": first_on(6.4, 1.0)}, agrees=lambda _: False)
    damaged_above(bench, "3V3", "4 V")

    bench.run()

    assert trips_of(bench) == []


def test_where_the_probe_was_is_asked_and_without_an_answer_it_was_a_trip() -> None:
    bench = held("12V0", "3V3", courses={"3V3": first_on(6.4, 1.0)})
    damaged_above(bench, "3V3", "4 V")
    bench.clock.interrupt(Interruption.CTRL_C, 60.0)
    asked = bench.ask.ask

    def ask(prompt: Prompt) -> Pending[Answer]:
        return Pending(math.inf, bench.clock.wake) if "Was the probe" in prompt.text else asked(prompt)

    bench.ask.ask = ask  # type: ignore[method-assign]

    outcome = bench.run()

    assert outcome.result is AttemptResult.CALLED_OFF
    assert len(trips_of(bench)) == 1
    assert "above the 4 V that damage it" in trips_of(bench)[0]


def test_a_logbook_that_fails_when_power_was_cut_does_not_hide_the_trip() -> None:
    bench = held("12V0", "3V3", courses={"3V3": first_on(6.4, 1.0)})
    damaged_above(bench, "3V3", "4 V")
    kept = bench.record.event

    def event(kind: str, *given: Any, **named: Any) -> None:
        if kind == "cut":
            raise LogbookError("the disk is full")
        kept(kind, *given, **named)

    bench.record.event = event  # type: ignore[method-assign]

    outcome = bench.run()

    assert outcome.off_verified is True
    assert "the disk is full" in outcome.cause
    assert len(trips_of(bench)) == 1


def asked_with_power(bench: SimulatedBench) -> list[bool]:
    """Whether the output was on at each question where the probe was, in order."""
    asked, found = bench.ask.ask, []

    def ask(prompt: Prompt) -> Pending[Answer]:
        if "Was the probe" in prompt.text:
            found.append(bench.on())
        return asked(prompt)

    bench.ask.ask = ask  # type: ignore[method-assign]
    return found


@pytest.mark.parametrize(("silent", "asked"), [(0.0, [False]), (7.0, [False]), (9000.0, [])])
def test_where_the_probe_was_is_asked_only_once_off_is_verified(silent: float, asked: list[bool]) -> None:
    bench = held("12V0", "3V3", courses={"3V3": first_on(6.4, 1.0)})
    damaged_above(bench, "3V3", "4 V")
    troubles, all_off, found = bench.supply_link.troubles, bench.supply.all_off, asked_with_power(bench)

    def fall_silent() -> Pending[Done]:
        now = bench.clock.monotonic()
        if silent and math.isinf(troubles.silent_from):
            troubles.silent_from, troubles.silent_until = now, now + silent
        return all_off()

    bench.supply.all_off = fall_silent  # type: ignore[method-assign]

    outcome = bench.run()

    assert found == asked
    assert outcome.off_verified is bool(asked)
    assert len(trips_of(bench)) == 1
    assert measured(bench)["3V3"] == pytest.approx(6.4, abs=0.01)


def test_a_supply_by_hand_is_off_before_it_is_asked_where_the_probe_was() -> None:
    def on_the_input(point: str, now: float) -> Sequence[Touching]:
        return [Touching(now + 0.5, None), *bounced(24.0, now + 1.0, point)]

    bench = held("3V3", courses={"3V3": first_on(6.4, 1.0), "VIN": on_the_input})
    damaged_above(bench, "3V3", "4 V")

    def shown(prompt: Prompt) -> str:
        if "What does it show" in prompt.text:
            return prompt.text.split(" to ")[1].split(". What")[0]
        now_on = any("voltage to 24 V" in each.text for each, _ in bench.ask.asked)  # type: ignore[attr-defined]
        return ("24 V" if now_on else "1 V") if "voltage" in prompt.text else "0.07" if now_on else "0"

    bench.ask._value = shown  # type: ignore[attr-defined]

    outcome = bench.run(supply=HandSupply(SupplyRole(None, outputs={"VIN": 1}), bench.ask))

    asked = [prompt.text for prompt, _ in bench.ask.asked]  # type: ignore[attr-defined]
    (where,) = [place for place, text in enumerate(asked) if "Was the probe" in text]
    assert "OFF now" in asked[where - 1]
    assert outcome.cause.startswith("3V3 reads 6.4")
    assert len(trips_of(bench)) == 1


def test_a_person_who_takes_long_to_say_where_the_probe_was_is_no_hang() -> None:
    bench = held("12V0", "3V3", courses={"3V3": first_on(6.4, 1.0)})
    damaged_above(bench, "3V3", "4 V")
    bench.ask._script.append(Scripted(Answer("yes, it was"), containing="Was the probe on", delay=120.0))  # type: ignore[attr-defined]
    guard, vigil = Listening(bench), Vigil()

    bench.run(guard=guard)

    for at, line, _ in guard.told:
        assert not vigil.hangs(at)
        vigil.heard(line, at)
    assert "off" in guard.words()
    assert not vigil.on


@pytest.mark.parametrize("volts", [6.4, 14.0, 45.0], ids=["within range", "beyond it", "far beyond it"])
def test_volts_that_damage_cut_power_within_two_readings_that_say_so(volts: float) -> None:
    bench = held("12V0", "3V3")
    damaged_above(bench, "3V3", "4 V")

    outcome, took = off_after(bench, [Touching(1.0, None), *bounced(volts, 1.5)], 1.5)

    # The tip bounces for 50 ms at most, a reading takes some 25 ms; leaving a range and finding another takes longer.
    assert took < 0.2
    assert outcome.result is AttemptResult.FAILED


def test_a_node_that_swings_beyond_what_damages_it_cuts_power_too() -> None:
    bench = held("12V0", "3V3")
    damaged_above(bench, "3V3", "4 V")
    swinging = [Touching(1.5 + place * 0.05, 5.6 + 0.7 * (place % 3)) for place in range(60)]

    outcome, took = off_after(bench, [Touching(1.0, None), *swinging], 1.5)

    assert took < 0.4
    assert outcome.result is AttemptResult.FAILED


@pytest.mark.parametrize(
    "volts", [(6.4, 3.3), (45.0, 5.6), (45.0, 3.3)], ids=["with sound ones between", "out of range", "both"]
)
def test_a_node_that_damages_every_other_time_it_is_read_cuts_power_too(volts: tuple[float, float]) -> None:
    bench = held("12V0", "3V3")
    damaged_above(bench, "3V3", "4 V")
    swinging = [Touching(1.5 + place * 0.033, volts[place % 2]) for place in range(400)]

    outcome, took = off_after(bench, [Touching(1.0, None), *swinging], 1.5)

    assert took < 4.0
    assert outcome.result is AttemptResult.FAILED


def test_another_rails_volts_that_damage_the_point_cut_power_if_the_probe_stays_on_them() -> None:
    bench = held("5V0", "12V0", "3V3", courses={"3V3": first_on("5V0", 30.0)}, agrees=lambda p: "Was the" in p.text)

    outcome = bench.run()

    assert outcome.result is AttemptResult.FAILED
    assert outcome.cause == "3V3 reads 4.96034 V, above the 3.9 V that damage it"
    assert measured(bench)["3V3"] == pytest.approx(5.0, abs=0.1)
    (warned,) = [prompt for prompt, _ in bench.ask.asked if "FAILED reading" in prompt.text]  # type: ignore[attr-defined]
    assert warned.lines == ("Volts like these damage 3V3: power goes off if the probe stays on them",)


def test_a_probe_that_rests_on_the_last_point_cuts_nothing_though_its_volts_would_damage_the_next() -> None:
    def rests(_: str, now: float) -> Sequence[Touching]:
        return [Touching(now + 20.0, None), *bounced("3V3", now + 20.5)]

    bench = held("5V0", "3V3", courses={"3V3": rests})

    outcome = bench.run()

    assert outcome.result is AttemptResult.PASSED


def test_a_slip_over_other_points_and_through_the_air_cuts_nothing() -> None:
    bench = held("12V0", "3V3")
    damaged_above(bench, "3V3", "4 V")
    slipping = [Touching(1.0, None), *bounced("12V0", 1.4, "a"), Touching(1.9, None), *bounced("5V0", 2.1, "b")]

    outcome, took = off_after(bench, [*slipping, Touching(2.8, None), *bounced("3V3", 3.4, "c")], 1.0)

    assert outcome.result is AttemptResult.PASSED
    assert measured(bench)["3V3"] == pytest.approx(3.3, rel=0.02)
    assert took > 2.4


def test_volts_that_can_shock_cut_power_at_once() -> None:
    bench = held("12V0", "3V3", courses={"3V3": first_on(75.0, 5.0)})

    outcome = bench.run()

    assert outcome.off_verified is True
    assert "hands off" in outcome.cause


def test_a_silent_meter_is_no_value() -> None:
    def falls_silent(point: str, now: float) -> Sequence[Touching]:
        bench.meter_link.troubles.silent_from = now + 0.3
        bench.meter_link.troubles.silent_until = math.inf
        return course_to(point, now)

    bench = held("12V0", "3V3", courses={"3V3": falls_silent})

    outcome = bench.run()

    lost = [each for each in bench.record.readings if each.step == 1 and each.value is None]
    assert [each.result for each in lost] == [Result.NO_VALUE]
    assert outcome.result is not AttemptResult.PASSED


def test_a_tidy_hand_bounces_and_comes_to_rest() -> None:
    course = course_to("3V3", 10.0)

    assert course[0].on is None
    assert course[-1].on == "3V3"
    assert [each.at for each in course] == sorted(each.at for each in course)
    assert len(course) > 3


@pytest.mark.parametrize(
    ("how", "aspect"),
    [(How.DERIVED, "standard deviation"), (How.READ, "ripple RMS"), (How.READ, "before resistance")],
)
def test_another_point_is_known_by_what_it_carries_not_by_figures_about_it(how: How, aspect: str) -> None:
    bench = held("3V3")
    read = replace(volts(3.29), point="5V0")
    readings = [read, replace(read, id=new_id(), value=0.001, how=how, aspect=aspect)]
    power = SimpleNamespace(on=(), feed_of=lambda _: None)
    journal, probe = SimpleNamespace(readings=readings), SimpleNamespace(last=None)
    work: Any = SimpleNamespace(board=bench.procedure.board, power=power, journal=journal, held=probe, state=None)

    known = sought(work, "3V3", None).known

    assert known == {"5V0": 3.29}
