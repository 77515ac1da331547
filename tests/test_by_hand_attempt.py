"""An attempt on a bench that talks to nobody: dictated, typed, claimed; off by the person's word."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path

import pytest

from bringup.commands.logbook_words import print_outcome
from bringup.core.accuracy import Accuracy
from bringup.core.bench import Ceiling
from bringup.core.beside_log import Temperature
from bringup.core.decision import DecisionRule, RuleKind
from bringup.core.expectation import voltage_limits
from bringup.core.limits import parse_limits
from bringup.core.procedure import Log, Measure
from bringup.core.quantity import parse_quantity
from bringup.core.reading import Reading
from bringup.core.words import AttemptResult, How, Kind, Result
from bringup.errors import LogbookError
from bringup.logbook.record import LogbookRecord
from bringup.runner.by_hand import HandSupply
from bringup.runner.claims import MISTYPED, contradiction
from bringup.runner.endings import BrokenOff
from bringup.runner.feed import Feed
from bringup.runner.hand_meter import INSTEAD, HandMeter
from bringup.runner.key_words import TYPED_AT_A_POINT
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.readback import judge_knob
from bringup.runner.records import Interruption, PollSample
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.person import Scripted, SimulatedPerson
from bringup.terminal.scene import Scene
from tests.fakes import ROOT, SimulatedBench, simulated_bench, the_bench, the_procedure

PROCEDURE = the_procedure(ROOT / "procedures/first-power-on-by-hand.yaml")
VOLTS = {
    "VIN": "23.98",
    "12V0": "12.02",
    "5V0": "4.99",
    "3V3": "3.306",
    "1V8": "1.80",
    "VREF": "2.5",
    "N12V": "-12.1",
}
OHMS = {"VIN": "4.6k rising", "12V0": "3.9k", "5V0": "2.7k", "3V3": "850", "1V8": "2.1", "VREF": "12k", "N12V": "6.8k"}


@dataclass
class HandBench:
    """A person with a knob supply and a handheld meter, who reads what a sound board shows."""

    bench: SimulatedBench
    person: SimulatedPerson
    accuracy: Accuracy | None = None
    """Of the supply and of the meter."""

    def run(self) -> AttemptOutcome:
        hand = the_bench(ROOT / "fixtures/benches/handheld.yaml")
        assert hand.supply is not None
        assert hand.meter is not None
        supply = replace(hand.supply, accuracy=self.accuracy)
        hand = replace(hand, supply=supply, meter=replace(hand.meter, accuracy=self.accuracy))
        assert hand.supply is not None
        assert hand.meter is not None
        board = PROCEDURE.board
        points = ("VIN", *board.rails)
        limits = {name: stated for name in points if (stated := voltage_limits(board, name)[0]) is not None}
        return self.bench.run(
            bench=hand,
            supply=HandSupply(hand.supply, self.person, monotonic=self.bench.clock.monotonic),
            meter=HandMeter(hand.meter, self.person, limits=limits),
            simulated_link=None,
            ask=self.person,
        )


def at_the_bench(*script: Scripted, change: Callable[[str, str], str] = lambda _, text: text) -> HandBench:
    """Build it. `change` may spoil what the person would type: it gets the question and the answer."""
    bench = simulated_bench(PROCEDURE)
    state: dict[str, object] = {"volts": "0", "ohms": False, "on": False}

    def value(prompt: Prompt) -> str:
        switched = [asked.text for asked, _ in person.asked if re.search("output ON now|output OFF", asked.text)]
        state["on"] = bool(switched) and "output ON now" in switched[-1]
        return change(prompt.text, _typed(prompt, state))

    person = SimulatedPerson(attended=True, clock=bench.clock, value=value, script=script, delay=2.0)
    return HandBench(bench, person)


def _typed(prompt: Prompt, state: dict[str, object]) -> str:
    text = prompt.text
    if wanted := re.search(r"Set the supply's (voltage|current limit) to ([0-9.]+ m?[VA])\.", text):
        if wanted[1] == "voltage":
            state["volts"] = wanted[2]
        return wanted[2]
    if "voltage does the supply show" in text:
        return str(state["volts"])
    if "current does the supply show" in text:
        return {"1 V": "0.000", "18 V": "0.089"}.get(str(state["volts"]), "0.069")
    point = text.split(":", 1)[0]
    for line in prompt.lines:
        if "dial" in line:
            state["ohms"] = "ohms" in line
    if "tips of the meter's leads together" in text:
        return "0.0"
    if state["ohms"]:
        return OHMS.get(point, "6.6k")
    return VOLTS[point] if state["on"] else "0.001"


def test_the_whole_procedure_can_be_done_by_hand() -> None:
    hands = at_the_bench()

    outcome = hands.run()

    assert (outcome.result, outcome.cause) == (AttemptResult.PASSED, "")
    read = {reading.how for reading in outcome.readings}
    assert read <= {How.TYPED, How.DERIVED}
    currents = [each for each in outcome.readings if each.kind is Kind.CURRENT and each.step == 3]
    assert [each.raw for each in currents] == ["0.000", "0.089", "0.069"]
    assert hands.bench.record.batches == []
    assert hands.bench.record.started[0].simulated is False


def test_the_probe_and_the_value_are_one_question() -> None:
    hands = at_the_bench()

    hands.run()

    asked = [prompt.text for prompt, _ in hands.person.asked]
    assert not [text for text in asked if text.startswith("Probe on")]
    assert "12V0: probe on TP2, black on ground. What does the meter show?" in asked
    assert asked.count("12V0: probe on TP2, black on ground. What does the meter show?") == 3, "volts, ohms, powered"
    free = next(index for index, text in enumerate(asked) if "across their free ends" in text)
    first = next(text for text in asked[free:] if "meter show?" in text)
    assert first == "VIN: what does the meter show?"


def test_what_is_expected_stands_beside_each_question_that_has_limits() -> None:
    hands = at_the_bench()

    hands.run()

    asked = [
        "".join(prompt.lines[-1:]) for prompt, _ in hands.person.asked if prompt.text.startswith("3V3: probe on TP4")
    ]
    assert asked[1:] == ["Expected: > 100 Ω.", "Expected: 3.3 V ± 2 %."]


def test_the_dial_is_turned_to_ohms_once_after_the_volts_of_all_points() -> None:
    hands = at_the_bench()

    outcome = hands.run()

    dials = [
        "ohms" if "ohms" in line else "volts"
        for prompt, _ in hands.person.asked
        for line in prompt.lines
        if line.startswith("Meter: dial")
    ]
    assert dials == ["volts", "ohms", "volts"], "unpowered, unpowered, leads and powered"
    read = [(each.point, each.unit) for each in outcome.readings if each.step == 1 and each.point is not None]
    assert [unit for _, unit in read] == ["V"] * (len(read) // 2) + ["ohm"] * (len(read) // 2)
    assert [point for point, unit in read if unit == "V"] == [point for point, unit in read if unit == "ohm"]
    now = [told.text for told in hands.bench.told if told.kind == "hint" and "Now ohms" in told.text]
    assert len(now) == 1


def test_after_a_correction_of_its_volts_a_point_is_looked_at_in_volts_again_before_its_ohms() -> None:
    correction = Scripted(Answer("3.9m"), PromptKind.TEXT, "N12V before resistance voltage was typed as")
    hands = correcting(lambda each: each.point == "N12V" and each.kind is Kind.VOLTAGE and each.step == 1, correction)

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    read = [(each.point, each.unit, each.value) for each in outcome.readings if each.step == 1]
    assert read[-3:] == [("VREF", "ohm", 12000.0), ("N12V", "V", 0.001), ("N12V", "ohm", 6800.0)]


def test_a_rework_in_between_has_the_volts_of_all_points_looked_at_again() -> None:
    pressed: list[str] = []

    def once(text: str, typed: str) -> str:
        if typed == OHMS["1V8"] and not pressed:
            pressed.append(text)
            return "w"
        return typed

    told = [Scripted(Answer(each), PromptKind.TEXT) for each in ("U5", "", "resoldered", "cold joint")]
    outcome = at_the_bench(*told, change=once).run()

    read = [(each.point, each.unit) for each in outcome.readings if each.step == 1]
    at = read.index(("1V8", "ohm"))
    assert read[at + 1 : at + 5] == [("1V8", "V"), ("1V8", "ohm"), ("VREF", "V"), ("VREF", "ohm")]


def test_r_takes_the_last_volts_again_before_the_dial_is_turned() -> None:
    pressed: list[str] = []

    def once(text: str, typed: str) -> str:
        if text.startswith("5V0:") and not pressed:
            pressed.append(text)
            return "r"
        return typed

    outcome = at_the_bench(change=once).run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    first, again = [each for each in outcome.readings if (each.step, each.point, each.unit) == (1, "12V0", "V")]
    assert (again.replaces, again.note) == (first.id, "again")


def test_off_is_asked_for_once_after_each_change_and_not_before_each_measurement() -> None:
    hands = at_the_bench()

    hands.run()

    turns = [prompt.text for prompt, _ in hands.person.asked if re.search(r"output (ON|OFF|off)", prompt.text)]
    assert [text for text in turns if "Set the" not in text] == [
        "Is the supply's output off?",
        "Switch the supply's output ON now.",
        "Switch the supply's output OFF. Is it off?",
        "Switch the supply's output ON now.",
        "Switch the supply's output OFF. Is it off?",
    ]


def test_nobody_is_told_that_something_watches() -> None:
    hands = at_the_bench()

    hands.run()

    goes = [prompt for prompt, _ in hands.person.asked if prompt.kind is PromptKind.GO and prompt.lines]
    assert len(goes) == 2
    for prompt in goes:
        assert any("nothing watches but you" in line for line in prompt.lines)
        assert not any("protection" in line or "switched off above" in line for line in prompt.lines)


def test_off_is_marked_as_the_persons_word() -> None:
    hands = at_the_bench()

    outcome = hands.run()

    offs = [text for kind, text, _ in hands.bench.record.events if kind == "power" and "OFF" in text]
    assert offs
    assert all("by the person's word" in text for text in offs)
    assert outcome.off_verified is True


def test_a_resistance_may_be_taken_while_it_rises() -> None:
    outcome = at_the_bench().run()

    vin = next(each for each in outcome.readings if each.point == "VIN" and each.kind is Kind.RESISTANCE)
    assert (vin.value, vin.result, vin.note) == (4600.0, Result.PASS, "still rising when it was taken")


def test_a_supply_set_wrongly_is_never_switched_on() -> None:
    def too_high(text: str, typed: str) -> str:
        return "5.0 V" if "Set the supply's voltage to 1 V" in text else typed

    hands = at_the_bench(change=too_high)

    outcome = hands.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "the voltage was to be 1 V, but 5 V was typed as what the supply shows" in outcome.cause
    ons = [prompt.text for prompt, _ in hands.person.asked if "ON now" in prompt.text]
    assert len(ons) == 1  # for the leads; not for the board


def at_24_volts(shown: str) -> HandBench:
    """A person whose knob supply shows this where 24 V was dictated with the output on."""
    return at_the_bench(
        change=lambda text, typed: shown if text.startswith("Set the supply's voltage to 24 V") else typed
    )


@pytest.mark.parametrize("shown", ["24.1", "23.9"])
def test_a_knob_that_is_turned_while_on_is_set_as_well_as_a_knob_can_be(shown: str) -> None:
    assert at_24_volts(shown).run().result is AttemptResult.PASSED


def test_a_knob_that_is_turned_too_far_while_on_ends_the_attempt() -> None:
    outcome = at_24_volts("24.3").run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "the voltage was to be 24 V, but 24.3 V was typed as what the supply shows" in outcome.cause


def test_a_voltage_that_nobody_told_while_on_ends_the_attempt() -> None:
    outcome = at_24_volts("?").run()

    assert "nobody has said what voltage the supply shows (24 V was asked for)" in outcome.cause


@pytest.mark.parametrize(
    ("damage", "volts", "amps", "words"),
    [
        (24.05, 24.1, 0.4, "24.1 V exceeds what damages the board, 24.05 V"),
        (33.0, 24.16, 0.4, "24.16 V exceeds the bench's ceiling, 24.15 V"),
        (33.0, 24.0, 0.41, "410 mA exceeds the bench's ceiling, 400 mA"),
    ],
)
def test_what_a_knob_may_be_off_by_is_refused_where_it_is_dangerous(
    damage: float, volts: float, amps: float, words: str
) -> None:
    feed = Feed("VIN", 1, 24.0, 0.4, 1.0, damage_above=damage)
    ceiling = Ceiling(parse_quantity("24.15 V"), parse_quantity("400 mA"))

    with pytest.raises(BrokenOff, match=re.escape(words)):
        judge_knob(feed, ceiling, volts, amps)


def lit(times: int) -> list[Scripted]:
    """The lamp is said to say current limit, so many times."""
    return [Scripted(Answer("current limit"), kind=PromptKind.CHOICE, containing="lamp") for _ in range(times)]


def shorted(text: str, typed: str) -> str:
    """What a supply shows that feeds a short at the first stage."""
    typed = "0.07" if "voltage does the supply show" in text else typed
    return "0.40" if "current does the supply show" in text else typed


def test_a_lamp_that_stays_lit_is_a_failure_of_the_unit_by_the_persons_word() -> None:
    hands = at_the_bench(*lit(1), change=shorted)

    outcome = hands.run()

    assert outcome.result is AttemptResult.FAILED
    assert re.fullmatch(
        r"VIN stayed in current limit \(400 mA\), longer than the [0-9.]+ s that charging may take, "
        r"by the person's word: 70 mV at 400 mA, about 180 mΩ between VIN and ground, leads included, a short",
        outcome.cause,
    )
    assert "trip" in [kind for kind, _, _ in hands.bench.record.events]
    assert not [prompt for prompt, _ in hands.person.asked if "voltage to 18 V" in prompt.text]
    (lamp,) = [prompt for prompt, _ in hands.person.asked if "lamp" in prompt.text]
    assert lamp.claim


def test_a_lamp_that_does_not_go_with_the_typed_current_is_asked_about_once_more() -> None:
    hands = at_the_bench(*lit(1))

    assert hands.run().result is AttemptResult.PASSED

    first, second = [prompt for prompt, _ in hands.person.asked if "lamp" in prompt.text][:2]
    assert "was typed, far below the limit of 400 mA: nothing is being limited there" in second.lines[0]
    assert first.text == second.text


def test_a_lamp_that_the_person_stands_by_is_taken_and_flagged() -> None:
    hands = at_the_bench(*lit(2))

    outcome = hands.run()

    assert outcome.result is AttemptResult.FAILED
    assert "by the person's word (although 0 A was typed, far below the limit of 400 mA" in outcome.cause
    assert [kind for kind, _, _ in hands.bench.record.events].count("doubt") == 1


def test_a_value_that_does_not_go_with_the_lamp_can_be_typed_again() -> None:
    slipped: list[str] = []

    def at_first(text: str, typed: str) -> str:
        if "current does the supply show" in text and not slipped:
            slipped.append(text)
            return "2m"
        return shorted(text, typed)

    mistyped = Scripted(Answer(MISTYPED), containing="2 mA was typed, far below the limit of 400 mA")
    hands = at_the_bench(*lit(1), mistyped, *lit(1), change=at_first)

    outcome = hands.run()

    assert outcome.result is AttemptResult.FAILED
    assert "may take, by the person's word: 70 mV at 400 mA" in outcome.cause
    assert [each.raw for each in outcome.readings if each.kind is Kind.CURRENT and each.step == 3] == ["0.40"]
    (event,) = [data for kind, _, data in hands.bench.record.events if kind == "taken-back"]
    assert event == {"first": "0.07; 2m"}
    texts = [prompt.text for prompt, _ in hands.person.asked]
    subjects = [found[1] for text in texts if (found := re.match(r"VIN: what .*(voltage|current|lamp)", text))]
    assert subjects == ["voltage", "current", "lamp", "lamp", "voltage", "current", "lamp"]


@pytest.mark.parametrize(
    ("volts", "amps", "lamp", "words"),
    [
        (23.9, 0.39, "current limit", "23.9 V was typed, the voltage set"),
        (3.0, 0.4, "constant voltage", "400 mA was typed, the limit, and 3 V of 24 V: that is current limit"),
        (3.0, 0.4, "current limit", ""),
        (23.9, 0.07, "constant voltage", ""),
        (None, None, "current limit", ""),
    ],
)
def test_lamp_volts_and_amps_must_go_together(volts: float | None, amps: float | None, lamp: str, words: str) -> None:
    feed = Feed("VIN", 1, 24.0, 0.4, 1.0)

    found = contradiction(feed, PollSample(0.0, 1, volts, amps), lamp)

    assert found.startswith(words)
    assert bool(found) == bool(words)


def test_c_takes_back_what_was_said_of_the_lamp() -> None:
    taken_back = Scripted(Answer("current limit"), containing="'constant voltage' was the answer to")
    typed: list[str] = []

    def later(text: str, line: str) -> str:
        if "voltage does the supply show" in text:
            typed.append(text)
            return "c" if len(typed) == 2 else line
        return line

    hands = at_the_bench(taken_back, change=later)

    outcome = hands.run()

    assert outcome.result is AttemptResult.FAILED
    assert "by the person's word" in outcome.cause
    (event,) = [data for kind, _, data in hands.bench.record.events if kind == "taken-back"]
    assert event == {"first": "constant voltage", "then": "current limit"}


def test_c_takes_back_that_an_output_is_off_and_has_it_switched_off() -> None:
    taken_back = Scripted(Answer("it is on"), containing="'it is off' was the answer to")
    hands = at_the_bench(taken_back)
    asked = hands.person.ask

    def ask(prompt: Prompt) -> Pending[Answer]:
        if prompt.text.startswith("Unplug the supply's leads") and not taken:
            taken.append(prompt)
            hands.person.press("c", hands.bench.clock.monotonic() + 1.0)
        return asked(prompt)

    taken: list[Prompt] = []
    hands.person.ask = ask  # type: ignore[method-assign]

    outcome = hands.run()

    assert outcome.result is AttemptResult.BROKEN_OFF
    assert "'it is off' was taken back: it is on; everything since rested on the first answer" in outcome.cause
    assert "OFF now. Is it off?" in hands.person.asked[-1][0].text
    assert outcome.off_verified is True


def test_an_interruption_has_the_person_switch_off() -> None:
    hands = at_the_bench()
    hands.bench.clock.interrupt(Interruption.CTRL_C, 75.0)

    outcome = hands.run()

    assert outcome.result is AttemptResult.CALLED_OFF
    last = hands.person.asked[-1][0]
    assert "Switch the supply's output OFF now" in last.text
    assert outcome.off_verified is True


@pytest.mark.parametrize("answer", ["it is on", "I cannot tell"])
def test_a_person_who_cannot_say_off_leaves_the_state_unknown(answer: str) -> None:
    refusals = [Scripted(Answer(answer), containing="OFF now", delay=2.0) for _ in range(3)]
    settings = [Scripted(Answer(answer), containing="Is the supply's output off?", delay=2.0) for _ in range(3)]
    hands = at_the_bench(*refusals)
    hands.bench.clock.interrupt(Interruption.CTRL_C, 75.0)
    hands.bench.clock.at(74.0, lambda: hands.person._script.extend(settings))

    outcome = hands.run()

    assert outcome.off_verified is False
    assert "off-unknown" in hands.bench.tell_kinds()


def test_what_was_typed_first_is_kept_beside_what_replaced_it() -> None:
    slipped: list[str] = []

    def once(text: str, typed: str) -> str:
        if text.startswith("3V3:") and typed == "3.306" and not slipped:
            slipped.append("33.06")
            return "33.06"
        return typed

    hands = at_the_bench(change=once)

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED
    assert any("first typed '33.06', then '3.306'" in text for _, text, _ in hands.bench.record.events)


def correcting(
    when: Callable[[Reading], bool], *script: Scripted, change: Callable[[str, str], str] = lambda _, text: text
) -> HandBench:
    """A person who types `c` instead of the value that is asked for after that reading, once."""
    seen: list[bool] = []

    def typing(text: str, typed: str) -> str:
        if seen == [True] and "Set the" not in text:
            seen.append(True)
            return "c"
        return change(text, typed)

    hands = at_the_bench(*script, change=typing)
    original = hands.bench.record.reading

    def kept(reading: Reading) -> None:
        original(reading)
        if when(reading) and not seen:
            seen.append(True)

    hands.bench.record.reading = kept  # type: ignore[method-assign]
    return hands


def test_what_may_be_typed_instead_of_a_value_is_said_once_and_is_what_the_keys_do() -> None:
    hands = at_the_bench()

    hands.run()

    offered = {prompt.keys for prompt, _ in hands.person.asked if prompt.text.startswith("5V0")}
    assert offered == {TYPED_AT_A_POINT}
    assert all(key in INSTEAD for key in TYPED_AT_A_POINT)
    assert len([prompt for prompt, _ in hands.person.asked if INSTEAD in prompt.lines]) == 1


@pytest.mark.parametrize(
    "question",
    [
        "5V0: probe on TP3, black on ground. What does the meter show?",
        "VIN: what current does the supply show?",
        "Output off. Set the supply's current limit to 400 mA. What does it show?",
        "Set the supply's voltage to 24 V. What does it show?",
    ],
)
def test_an_attempt_is_called_off_by_a_letter_typed_instead_of_a_value(question: str) -> None:
    hands = at_the_bench(change=lambda text, typed: "q" if text == question else typed)

    outcome = hands.run()

    assert (outcome.result, outcome.cause) == (AttemptResult.CALLED_OFF, "called off by the person")
    assert outcome.off_verified is not False


LOG = next(step.index for step in PROCEDURE.steps if step.kind == "log")


def logged(outcome: AttemptOutcome) -> dict[str, list[tuple[float | None, bool]]]:
    """Each statistic of the log's current with its values in order, and whether another one took its place."""
    replaced = {each.replaces for each in outcome.readings}
    found: dict[str, list[tuple[float | None, bool]]] = {}
    for each in outcome.readings:
        if each.step == LOG:
            found.setdefault(each.aspect, []).append((each.value, each.id in replaced))
    return found


def test_a_sample_of_a_log_typed_wrongly_is_put_right_and_both_are_kept() -> None:
    lines = iter(["0.096", "c", "0.070", "0.071"])

    def typing(text: str, typed: str) -> str:
        in_log = hands.bench.record.begun[-1:] == [LOG] and "current does the supply show" in text
        return next(lines, typed) if in_log else typed

    hands = at_the_bench(
        Scripted(Answer("0.069"), PromptKind.TEXT, "VIN current was typed as 96 mA"),
        change=typing,
    )

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert [value for name, value in hands.bench.record.samples if name == "VIN current"] == [
        0.096,
        0.069,
        0.070,
        0.071,
    ]
    assert logged(outcome)["maximum"] == [(0.071, False)]
    assert logged(outcome)["mean"][0][0] == pytest.approx(0.070)


def test_after_a_log_what_it_came_to_follows_the_sample_that_was_put_right() -> None:
    correction = Scripted(Answer("0.072"), PromptKind.TEXT, "VIN current was typed as 69 mA")
    hands = correcting(lambda each: each.aspect == "slope per hour", correction)
    steps = PROCEDURE.steps
    more = replace(steps[4], index=6, action=Measure(("3V3",)))
    hands.bench.procedure = replace(PROCEDURE, steps=(*steps[:6], more, replace(steps[6], index=7)))

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert logged(outcome)["maximum"] == [(0.069, True), (0.072, False)]
    assert logged(outcome)["mean"] == [(0.069, True), (pytest.approx(0.070), False)]
    assert {each.step for each in outcome.readings if each.aspect == "mean"} == {LOG}


def test_of_samples_and_temperatures_of_one_log_the_one_typed_last_is_put_right() -> None:
    hands = correcting(
        lambda each: each.aspect == "slope per hour",
        Scripted(Answer("40"), PromptKind.TEXT, "Temperature of U3"),
        Scripted(Answer("41"), PromptKind.TEXT, "U3 temperature was typed as 40 °C"),
    )
    steps = PROCEDURE.steps
    action = steps[LOG].action
    assert isinstance(action, Log)
    warm = replace(action, temperatures=(Temperature("U3"),), temperatures_every=parse_quantity("60 s"))
    more = replace(steps[4], index=6, action=Measure(("3V3",)))
    logging = replace(steps[LOG], action=warm)
    hands.bench.procedure = replace(PROCEDURE, steps=(*steps[:LOG], logging, more, replace(steps[6], index=7)))

    outcome = hands.run()

    assert [value for name, value in hands.bench.record.samples if name == "U3 temperature"] == [40.0, 41.0]
    assert logged(outcome)["maximum at U3"] == [(40.0, True), (41.0, False)]
    assert logged(outcome)["maximum"] == [(0.069, False)]


def test_other_letters_wait_until_the_knob_is_set() -> None:
    letters = ["n", "c"]
    hands = at_the_bench(
        change=lambda text, typed: letters.pop() if text.startswith("Set the supply's") and letters else typed
    )

    assert hands.run().result is AttemptResult.PASSED
    again = [prompt for prompt, _ in hands.person.asked if "Set the knob first" in " ".join(prompt.lines)]
    assert len(again) == 2


def test_a_note_typed_instead_of_a_value_is_kept_and_the_same_value_asked_for_again() -> None:
    noted: list[str] = []

    def once(text: str, typed: str) -> str:
        if "probe on TP4" in text and not noted:
            noted.append(text)
            return "n"
        return typed

    hands = at_the_bench(Scripted(Answer(text="TP4 is hard to reach"), kind=PromptKind.TEXT), change=once)

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED
    assert hands.bench.record.notes == ["TP4 is hard to reach"]
    asked = [prompt for prompt, _ in hands.person.asked]
    at = next(index for index, prompt in enumerate(asked) if prompt.text == "Note")
    assert asked[at - 1].text == asked[at + 1].text == noted[0]
    assert "dial at DC volts" in asked[at + 1].lines[0]


def test_a_typed_value_is_corrected_by_a_key_and_the_old_one_is_kept() -> None:
    correction = Scripted(Answer(text="3.31"), kind=PromptKind.TEXT, containing="3V3 voltage was typed as 3.206 V")
    hands = correcting(
        lambda reading: reading.point == "3V3" and reading.value == 3.206,
        correction,
        change=lambda text, typed: "3.206" if text.startswith("3V3:") and typed == "3.306" else typed,
    )

    outcome = hands.run()

    old, new = [
        each for each in outcome.readings if each.point == "3V3" and each.kind is Kind.VOLTAGE and each.step == 4
    ]
    assert (old.raw, old.result) == ("3.206", Result.FAIL)
    assert (new.raw, new.result, new.replaces) == ("3.31", Result.PASS, old.id)
    assert outcome.result is AttemptResult.PASSED


@pytest.mark.parametrize(("typed", "result"), [("3.345", Result.FAIL), ("3.31", Result.PASS)])
def test_what_is_corrected_is_judged_by_the_decision_rule_that_judged_it_before(typed: str, result: Result) -> None:
    # 0.5 % and 5 mV of 3.3 V make U 25 mV; the limits are 3.234 V .. 3.366 V, so that a guard band ends at 3.341 V.
    hands = correcting(
        lambda reading: reading.point == "3V3" and reading.value == 3.206,
        Scripted(Answer(text=typed), kind=PromptKind.TEXT, containing="3V3 voltage was typed as 3.206 V"),
        change=lambda text, value: "3.206" if text.startswith("3V3:") and value == "3.306" else value,
    )
    hands.accuracy = Accuracy(Decimal("0.5"), Decimal("0.005"))
    steps = list(PROCEDURE.steps)
    steps[4] = replace(steps[4], decision_rule=DecisionRule(RuleKind.GUARD_BAND))
    hands.bench.procedure = replace(PROCEDURE, steps=tuple(steps))

    outcome = hands.run()

    new = next(each for each in outcome.readings if each.replaces is not None)
    assert (new.raw, new.result, new.decision_rule) == (typed, result, "guard band, w = 1 U")
    assert new.uncertainty == pytest.approx(0.025, abs=0.001)


def test_a_correction_that_cannot_be_read_is_asked_for_again_and_enter_keeps_the_value() -> None:
    script = [
        Scripted(Answer(text="3,31"), containing="was typed as"),
        Scripted(Answer(text=""), containing="was typed as"),
    ]
    hands = correcting(lambda reading: reading.point == "12V0" and reading.kind is Kind.RESISTANCE, *script)

    outcome = hands.run()

    assert [prompt.lines for prompt, _ in hands.person.asked if "was typed as" in prompt.text][1]
    assert not any(reading.replaces for reading in outcome.readings)
    assert outcome.result is AttemptResult.PASSED


def test_what_is_shown_of_the_supply_is_the_persons_word_from_beginning_to_end() -> None:
    hands = at_the_bench()

    hands.run()

    scene = Scene()
    banners: list[str] = []
    for told in hands.bench.told:
        scene.take(told)
        if not banners or banners[-1] != scene.power_words:
            banners.append(scene.power_words)
    unknown, off, on = "INPUT ?? (nobody has said)", "INPUT OFF (as said)", "INPUT ON (as said)"
    assert banners[0] != on
    assert banners[-7:] == [off, unknown, on, off, unknown, on, off]
    assert hands.bench.told[-1].data["by_hand"] is True
    assert "outputs OFF, by the person's word" in "\n".join(line.text for line in Scene().take(hands.bench.told[-1]))


def test_an_output_found_on_is_shown_as_on_switched_off_first_and_then_asked_about() -> None:
    found_on = Scripted(Answer("it is on"), containing="Is the supply's output off?")
    typed = {"what voltage did": "12.01", "what current did": "85 mA"}
    hands = at_the_bench(
        found_on, change=lambda text, old: next((said for part, said in typed.items() if part in text), old)
    )

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED
    asked = [prompt.text for prompt, _ in hands.person.asked]
    at = asked.index("Is the supply's output off?")
    assert asked[at + 1 : at + 4] == [
        "Switch the supply's output OFF. Is it off?",
        "While output 1 was on: what voltage did the supply show?",
        "While output 1 was on: what current did the supply show?",
    ]
    events = [text for kind, text, _ in hands.bench.record.events if kind == "found-on"]
    assert events == [
        "output 1 is not off before resistance is measured; it is to be switched off",
        "output 1 showed 12.01 V at 85 mA while it was on, as typed",
    ]
    scene, words = Scene(), []
    for told in hands.bench.told:
        scene.take(told)
        if told.kind == "event" and told.data.get("kind") == "found-on":
            words.append(scene.power_words)
    assert words == ["INPUT ON (as said)", "INPUT OFF (as said)"]


def test_a_typed_current_above_the_benchs_ceiling_is_queried_once() -> None:
    slips = ["50"]
    hands = at_the_bench(
        change=lambda text, typed: slips.pop() if slips and "current does the supply show" in text else typed
    )

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED
    (queried,) = [
        prompt for prompt, _ in hands.person.asked if any("the bench's ceiling" in line for line in prompt.lines)
    ]
    assert "50: that is more than the bench's ceiling of 1 A: is it in mA?" in queried.lines


def volts_typed(*lines: str, at: str = "3V3") -> HandBench:
    """A person who types these lines, one after the other, where volts are asked for before the ohms of a point."""
    waiting = list(lines)

    def typing(text: str, typed: str) -> str:
        if text.startswith(f"{at}:") and typed == "0.001" and waiting:
            return waiting.pop(0)
        return typed

    return at_the_bench(
        *(Scripted(Answer("read it again and type it again"), containing="is above 50 mV") for _ in lines[1:]),
        change=typing,
    )


def test_volts_typed_without_their_prefix_are_asked_for_again_with_the_reason() -> None:
    hands = volts_typed("0.1", "0.1m")

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED
    (query,) = [prompt for prompt, _ in hands.person.asked if "is above 50 mV" in prompt.text]
    assert query.text == (
        "3V3: 100 mV is above 50 mV: type 0.1m for millivolts, or wait for the discharge and type it again "
        "(a point that carries more than 50 mV is charged or fed: ohms would be wrong)"
    )
    hints = [told.text for told in hands.bench.told if told.kind == "hint" and "Volts" in told.text]
    assert len(hints) == 1
    assert "Volts before ohms: a point that carries more than 50 mV" in hints[0]


def test_volts_may_be_typed_again_as_often_as_it_takes() -> None:
    hands = volts_typed("4.1 V", "0.9", "0.1", "12 mV")

    assert hands.run().result is AttemptResult.PASSED
    queries = [prompt.text for prompt, _ in hands.person.asked if "is above 50 mV" in prompt.text]
    assert ["for millivolts" in text for text in queries] == [False, True, True]


def test_a_point_that_stays_charged_is_left_without_ohms_only_by_the_persons_choice() -> None:
    hands = volts_typed("0.1")

    outcome = hands.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "3V3 carries 100 mV with every output off" in outcome.cause
    answers = [answer.text for prompt, answer in hands.person.asked if "is above 50 mV" in prompt.text]
    assert answers == ["it stays so: go on without its ohms, and the attempt stays incomplete"]


def test_millivolts_of_a_dead_point_are_not_held_against_what_it_carries_when_powered() -> None:
    hands = volts_typed("0.012", at="12V0")

    assert hands.run().result is AttemptResult.PASSED
    asked = [prompt for prompt, _ in hands.person.asked if prompt.text.startswith("12V0: probe on TP2")]
    assert not [line for prompt in asked for line in prompt.lines if "decimal point" in line]


def with_expectation(hands: HandBench, **expect: str) -> HandBench:
    """The same bench, with volts that the step itself states for points that are measured."""
    stated = {point: parse_limits(text) for point, text in expect.items()}
    steps = tuple(
        replace(step, expect={**step.expect, **stated}) if isinstance(step.action, Measure) else step
        for step in PROCEDURE.steps
    )
    hands.bench.procedure = replace(PROCEDURE, steps=steps)
    return hands


def asked_at_tp_of(hands: HandBench, point: str) -> list[tuple[Prompt, Answer]]:
    """What was asked of a point once the input was on."""
    on = max(index for index, (prompt, _) in enumerate(hands.person.asked) if "output ON now" in prompt.text)
    return [each for each in hands.person.asked[on:] if each[0].text.startswith(f"{point}:")]


def test_what_the_step_expects_of_a_rail_that_is_held_off_is_never_doubted() -> None:
    def off(text: str, typed: str) -> str:
        return "0.33" if typed == "3.306" else typed

    hands = with_expectation(at_the_bench(change=off), **{"3V3": "0 V .. 0.4 V"})

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED
    assert len(asked_at_tp_of(hands, "3V3")) == 1


def test_what_the_step_expects_is_the_measure_of_a_slip() -> None:
    slips = ["25.2"]

    def adjusted(_: str, typed: str) -> str:
        if typed != "3.306":
            return typed
        return slips.pop() if slips else "2.52"

    hands = with_expectation(at_the_bench(change=adjusted), **{"3V3": "2.5 V ± 2 %"})

    assert hands.run().result is AttemptResult.PASSED
    asked = asked_at_tp_of(hands, "3V3")
    assert [answer.text for _, answer in asked] == ["25.2", "2.52"]
    assert "with the decimal point elsewhere, as 2.52 V" in asked[1][0].lines[0]


def test_limits_of_a_step_that_are_those_of_the_powered_rail_leave_slips_noticed() -> None:
    slips = ["33.06"]

    def slip(text: str, typed: str) -> str:
        return slips.pop() if typed == "3.306" and slips else typed

    hands = with_expectation(at_the_bench(change=slip), **{"3V3": "3.3 V ± 5 %"})

    assert hands.run().result is AttemptResult.PASSED
    again = asked_at_tp_of(hands, "3V3")[1][0]
    assert "with the decimal point elsewhere, as 3.306 V" in again.lines[0]


def test_the_end_and_the_json_of_a_run_take_a_corrected_reading_for_what_it_was_corrected_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pressed: list[str] = []

    def slip(text: str, typed: str) -> str:
        if typed == OHMS["12V0"] and not pressed:
            pressed.append(text)
            return "c"
        return "46" if typed == "4.6k rising" else typed

    right = [Scripted(Answer(text="4.6k"), containing="VIN resistance was typed as 46 Ω") for _ in range(2)]
    hands = at_the_bench(*right, change=slip)
    scene = Scene()
    hands.bench.changes["tell"] = lambda told: shown.extend(line.text for line in scene.take(told))
    shown: list[str] = []
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        hands.bench.changes["record"] = record
        outcome = hands.run()
    print_outcome(path, outcome, None)
    found = json.loads(capsys.readouterr().out)

    assert outcome.result is AttemptResult.PASSED
    (wrong,) = found["corrected"]
    assert (wrong["raw"], wrong["result"]) == ("46", "fail")
    (now,) = [each for each in found["readings"] if each["id"] == wrong["replaced_by"]]
    assert (now["raw"], now["result"]) == ("4.6k", "pass")
    assert "fail" not in {each["result"] for each in found["readings"]}
    assert not [line for line in shown if "what failed" in line]


@pytest.mark.parametrize(("typed", "result"), [("0.2", Result.FAIL), ("850", Result.RECORDED)])
def test_what_a_rule_failed_without_limits_is_judged_by_it_again_when_it_is_corrected(
    typed: str, result: Result
) -> None:
    correction = Scripted(Answer(text=typed), kind=PromptKind.TEXT, containing="3V3 resistance was typed as")
    hands = correcting(
        lambda reading: reading.point == "3V3" and reading.kind is Kind.RESISTANCE,
        correction,
        change=lambda text, line: "0.3" if line == OHMS["3V3"] else line,
    )
    board = PROCEDURE.board
    bare = replace(board.rails["3V3"], ground=None, unpowered_resistance=None)
    hands.bench.procedure = replace(PROCEDURE, board=replace(board, rails={**board.rails, "3V3": bare}))

    outcome = hands.run()

    old, new = [each for each in outcome.readings if each.point == "3V3" and each.kind is Kind.RESISTANCE]
    assert (old.result, old.note) == (Result.FAIL, "no more than the leads themselves: a short")
    assert (new.replaces, new.raw, new.result) == (old.id, typed, result)
    assert outcome.result is (AttemptResult.FAILED if result is Result.FAIL else AttemptResult.PASSED)


def test_a_correction_that_did_not_come_into_the_logbook_still_counts_in_the_json_of_the_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hands = at_the_bench()
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        hands.bench.changes["record"] = record
        outcome = hands.run()
    old = next(each for each in outcome.readings if each.point == "3V3" and each.kind is Kind.RESISTANCE)
    new = replace(old, id="new", replaces=old.id, value=860.0, raw="860")

    print_outcome(path, replace(outcome, unrecorded=(new,)), tmp_path / "rescue.jsonl")

    found = json.loads(capsys.readouterr().out)
    assert [each["id"] for each in found["corrected"]] == [old.id]
    assert [(each["id"], each["replaces"]) for each in found["not_in_logbook"]] == [("new", old.id)]
    assert old.id not in {each["id"] for each in found["readings"]}


def test_leads_whose_drop_cannot_be_told_from_none_have_only_an_upper_bound() -> None:
    hands = at_the_bench(
        change=lambda text, typed: "24.01" if "voltage does the supply show" in text and typed == "24 V" else typed
    )

    outcome = hands.run()

    assert not [each for each in outcome.readings if each.aspect == "supply leads"]
    (text,) = [text for kind, text, _ in hands.bench.record.events if kind == "leads"]
    assert re.match(r"the supply leads of VIN come to < [0-9.]+ m?Ω: the drop is no more than", text)


def test_an_output_that_the_person_says_is_on_is_told_as_the_persons_word() -> None:
    hands = at_the_bench(Scripted(Answer("it is on"), containing="OFF. Is it off?"))

    outcome = hands.run()

    assert "output 1 was to be switched off, and by the person's word it is on" in outcome.cause
    told = " ".join(str(told.data.get("why", "")) for told in hands.bench.told) + outcome.cause
    assert "the supply says" not in told


def with_keys(*script: Scripted, **keys: str) -> HandBench:
    """At the bench; each key is typed once, in the place of the volts of a point that is powered."""
    left = dict(keys)

    def change(text: str, typed: str) -> str:
        powered = any("output ON now" in prompt.text for prompt, _ in hands.person.asked)
        point = text.split(":", 1)[0]
        at_nominal = any("24 V" in prompt.text for prompt, _ in hands.person.asked)
        return left.pop(point) if powered and at_nominal and "probe on" in text and point in left else typed

    hands = at_the_bench(*script, change=change)
    return hands


def powered(outcome: AttemptOutcome) -> list[tuple[str | None, str, str]]:
    measured = next(step.index for step in PROCEDURE.steps if isinstance(step.action, Measure))
    return [(each.point, each.aspect, each.note) for each in outcome.readings if each.step == measured]


def test_r_takes_the_last_reading_again_and_it_says_so() -> None:
    hands = with_keys(**{"3V3": "r"})

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    read = powered(outcome)
    at = read.index(("5V0", "", "again"))
    assert [each[0] for each in read[at - 1 : at + 2]] == ["5V0", "5V0", "3V3"]
    (again,) = [each for each in outcome.readings if each.note == "again"]
    (old,) = [each for each in outcome.readings if each.id == again.replaces]
    assert (old.point, old.step) == ("5V0", again.step), "both are kept"
    asked = [prompt.text for prompt, _ in hands.person.asked]
    back = [text for text in asked if text.startswith("3V3: probe on TP4")]
    assert len(back) >= 2, "the probe was elsewhere meanwhile: where it goes is said once more"


def test_l_leaves_the_point_out_with_a_reason_and_the_step_goes_on() -> None:
    why = Scripted(Answer("the pad is under the shield"), PromptKind.TEXT, "Why leave out TP4 (3V3)")
    hands = with_keys(why, **{"3V3": "l"})

    outcome = hands.run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert ("3V3", "", "left out: the pad is under the shield") in powered(outcome)
    assert ("1V8", "", "") in powered(outcome)
    assert "log" in [PROCEDURE.steps[each.step].kind for each in outcome.readings], "so does the attempt"


def test_x_takes_an_extra_reading_of_a_point_or_of_any_node() -> None:
    for named, expected in (("TP3", ("5V0", "extra", "")), ("gate of Q2", (None, "extra, at gate of Q2", ""))):
        node = Scripted(Answer(named), PromptKind.TEXT, "Extra reading")
        volts = Scripted(Answer("4.98"), PromptKind.VALUE, "gate of Q2: probe on gate of Q2")
        hands = with_keys(node, *([volts] if expected[0] is None else []), **{"3V3": "x"})

        outcome = hands.run()

        assert outcome.result is AttemptResult.PASSED, outcome.cause
        assert expected in powered(outcome)


def test_w_enters_a_rework_and_the_value_is_asked_for_again() -> None:
    words = ("R12", "105 kΩ", "100 kΩ", "5V0 was too high", "5V0")
    script = [Scripted(Answer(word), PromptKind.TEXT) for word in words]
    hands = with_keys(*script, **{"3V3": "w"})

    outcome = hands.run()

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    assert len(hands.bench.record.reworks) == 1


def test_capital_l_leaves_the_step_out() -> None:
    why = Scripted(Answer("measured at the other bench"), PromptKind.TEXT, "Why leave out step")
    outcome = with_keys(why, **{"3V3": "L"}).run()

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "1V8" not in [each[0] for each in powered(outcome)]


def test_r_says_that_there_is_nothing_to_take_again_where_no_point_is_read() -> None:
    def change(text: str, typed: str) -> str:
        return "r" if "what current" in text and not said() else typed

    def said() -> list[str]:
        return [told.text for told in hands.bench.told if told.text.startswith("r does something only")]

    hands = at_the_bench(change=change)

    assert hands.run().result is AttemptResult.PASSED
    assert len(said()) == 1


def unpowered_keys(*script: Scripted, **keys: str) -> HandBench:
    """The same with the board unpowered: each key in the place of the ohms of a point."""
    left = dict(keys)

    def change(text: str, typed: str) -> str:
        point = text.split(":", 1)[0]
        asked = [prompt.text for prompt, _ in hands.person.asked if prompt.text.startswith(f"{point}:")]
        return left.pop(point) if point in left and len(asked) == 1 else typed

    hands = at_the_bench(*script, change=change)
    return hands


def ohms(outcome: AttemptOutcome) -> list[tuple[str | None, float | None, str]]:
    return [(each.point, each.value, each.note) for each in outcome.readings if each.step == 1 and each.unit == "ohm"]


def test_r_takes_the_last_ohms_again_and_they_are_judged_anew() -> None:
    hands = unpowered_keys(**{"3V3": "r"})
    script = iter(["0.001", "2.7k", "2.8k"])
    typed = hands.person._value

    def value(prompt: Prompt) -> str:
        text = typed(prompt)
        return next(script, text) if prompt.text.startswith("5V0") else text

    hands.person._value = value

    outcome = hands.run()

    found = [each for each in ohms(outcome) if each[0] == "5V0"]
    assert [each[2] for each in found] == ["", "again"]
    assert found[1][1] == pytest.approx(2800.0)
    assert outcome.result is AttemptResult.PASSED, outcome.cause


def test_l_leaves_one_points_ohms_out_and_power_then_asks_for_a_reason() -> None:
    why = Scripted(Answer("the pad is under the shield"), PromptKind.TEXT, "Why leave out TP4 (3V3)")
    hands = unpowered_keys(why, Scripted(Answer("it is a bench sample"), containing="Why go on?"), **{"3V3": "l"})

    outcome = hands.run()

    assert ("3V3", None, "left out: the pad is under the shield") in ohms(outcome)
    assert "1V8" in [each[0] for each in ohms(outcome)]
    assert outcome.result is AttemptResult.INCOMPLETE
    asked = [prompt.text for prompt, _ in hands.person.asked if "Why go on?" in prompt.text]
    assert [text.count("a good resistance of 3V3") for text in asked] == [1]
    assert "measure" in [PROCEDURE.steps[each.step].kind for each in outcome.readings], "power came on all the same"


def test_a_logbook_that_fails_at_a_typed_current_does_not_hide_the_trip() -> None:
    hands = at_the_bench(change=lambda asked, text: "0.9" if "current does the supply show" in asked else text)
    kept = hands.bench.record.reading

    def reading(reading: Reading) -> None:
        if reading.kind is Kind.CURRENT and (reading.value or 0.0) > 0.5:
            raise LogbookError("the disk is full")
        kept(reading)

    hands.bench.record.reading = reading  # type: ignore[method-assign]

    outcome = hands.run()

    assert "the disk is full" in outcome.cause
    (trip,) = (text for kind, text, _ in hands.bench.record.events if kind == "trip")
    assert "(its trip level)" in trip
