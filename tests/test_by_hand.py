"""Supply and meter by hand: what is dictated, how what is typed is taken, doubted once and corrected."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from bringup.core.bench import MeterRole, SupplyRole
from bringup.core.limits import Limits, parse_limits
from bringup.core.reading import Reading
from bringup.core.words import How, Kind, LimitsFrom, Result
from bringup.errors import NotationError
from bringup.runner.by_hand import HandSupply
from bringup.runner.hand_meter import HandMeter
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.readback import knob_limits
from bringup.runner.roles import Function, Protection
from bringup.runner.typed import corrected

LIMITS = {"3V3": parse_limits("3.3 V ± 2 %"), "5V0": parse_limits("5 V ± 2 %")}


class Typist:
    """Answers with the next line each time and keeps the questions (protocols.Ask)."""

    attended = True

    def __init__(self, *lines: str) -> None:
        self._lines: Iterator[str] = iter(lines)
        self.prompts: list[Prompt] = []

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        self.prompts.append(prompt)
        pending: Pending[Answer] = Pending(float("inf"))
        pending.settle(Answer(next(self._lines)))
        return pending

    def withdraw(self) -> None:
        pass

    def key(self) -> str | None:
        return None

    @property
    def texts(self) -> list[str]:
        return [prompt.text for prompt in self.prompts]


def hand_meter(*lines: str, limits: dict[str, Limits] | None = None) -> tuple[HandMeter, Typist]:
    typist = Typist(*lines)
    return HandMeter(MeterRole(None), typist, limits=LIMITS if limits is None else limits), typist


def hand_supply(*lines: str, **role: Any) -> tuple[HandSupply, Typist]:
    typist = Typist(*lines)
    return HandSupply(SupplyRole(None, **role), typist, monotonic=lambda: 7.0), typist


@pytest.mark.parametrize(
    ("line", "number", "resolution"), [("3.306", 3.306, 0.001), ("3.306 V", 3.306, 0.001), ("3306 mV", 3.306, 0.001)]
)
def test_a_typed_value_is_taken_as_typed(line: str, number: float, resolution: float) -> None:
    it, typist = hand_meter(line)
    value, troubles = it.read(Function.DC_VOLTS, around=3.3, point="3V3").value()
    assert (value.number, value.resolution, value.raw, troubles) == (number, resolution, line, ())
    (prompt,) = typist.prompts
    assert (prompt.kind, prompt.unit, prompt.text) == (PromptKind.VALUE, "V", "3V3: what does the meter show?")


def test_the_expected_value_is_not_put_into_the_persons_mouth() -> None:
    it, typist = hand_meter("3.306")
    it.read(Function.DC_VOLTS, around=3.3, point="3V3")
    assert typist.prompts[0].suggestion == ""
    assert not any("3.3" in line for line in typist.prompts[0].lines)


def test_dial_and_jack_are_named_when_they_change_and_only_then() -> None:
    it, typist = hand_meter("3.306", "5.001", "OL", "3.306", "0.499")
    for function, point in [
        (Function.DC_VOLTS, "3V3"),
        (Function.DC_VOLTS, "5V0"),
        (Function.OHMS, "5V0"),
        (Function.DC_VOLTS, "3V3"),
        (Function.DC_AMPS, ""),
    ]:
        it.read(function, point=point)
    named = [" ".join(prompt.lines) for prompt in typist.prompts]
    assert named[1] == ""
    assert "DC volts, red lead in the volts jack" in named[0]
    assert "ohms" in named[2]
    assert "DC volts" in named[3]
    assert "red lead in the amps jack" in named[4]


@pytest.mark.parametrize(
    ("slip", "words"),
    [
        ("33.06", "with the decimal point elsewhere, as 3.306 V"),
        ("-3.306", "a minus sign: are the leads or the probes the wrong way round?"),
        ("5.01", "it would fit 5V0"),
        ("3.306 A", "that is in A"),
    ],
)
def test_what_looks_like_a_slip_is_asked_for_once_more(slip: str, words: str) -> None:
    it, typist = hand_meter(slip, "3.306")
    value, troubles = it.read(Function.DC_VOLTS, point="3V3").value()
    assert (value.number, len(typist.prompts)) == (3.306, 2)
    assert words in typist.prompts[1].lines[0]
    assert [trouble.text for trouble in troubles] == [f"first typed {slip!r}, then '3.306'"]


def test_each_output_of_a_supply_by_hand_has_a_state_of_its_own() -> None:
    it, typist = hand_supply(
        "it is off", "it is off", "it is on", "it is off", outputs={"VIN": 1, "VBAT": 2}, leave_alone=(3,)
    )
    for output in (1, 2):
        assert it.settings(output).value().on is False
    it.switch(1, True)

    assert it.settings(2).value().on is False
    assert it.switch(2, False).value().on is False
    assert it.switch(1, False).value().on is False

    assert typist.texts == [
        "Is output 1 of the supply (VIN) off?",
        "Is output 2 of the supply (VBAT) off?",
        "Switch output 1 of the supply (VIN) ON now.",
        "Switch output 1 of the supply (VIN) OFF. Is it off?",
    ]


def test_an_emergency_asks_for_every_output_whatever_was_said_before() -> None:
    it, typist = hand_supply("it is off", "it is off", "it is off", outputs={"VIN": 1, "VBAT": 2})
    it.settings(1)
    it.settings(2)

    assert it.all_off().value().on is False
    assert typist.texts[-1] == "Switch every output of the supply OFF now. Are they off?"


def test_what_a_person_could_not_tell_is_asked_again() -> None:
    it, typist = hand_supply("I cannot tell", "it is off")

    assert it.settings(1).value().on is None
    assert it.settings(1).value().on is False
    assert len(typist.prompts) == 2


def test_what_the_person_stands_by_is_taken_and_flagged() -> None:
    it, _ = hand_meter("33.06", "33.06")
    value, troubles = it.read(Function.DC_VOLTS, point="3V3").value()
    assert value.number == 33.06
    assert troubles[0].text.startswith("33.06 stands although with the decimal point elsewhere")


def test_another_unit_than_the_one_asked_for_is_never_taken_for_it() -> None:
    it, _ = hand_meter(*["3.306 A"] * 5)
    value, troubles = it.read(Function.DC_VOLTS, point="3V3").value()
    assert (value.number, value.why) == (None, "what was typed cannot be read")
    assert "that is in A" in troubles[0].text


def test_a_second_doubtful_value_stands_and_is_flagged() -> None:
    it, typist = hand_meter("33.06", "330.6")
    value, troubles = it.read(Function.DC_VOLTS, point="3V3").value()
    assert (value.number, len(typist.prompts)) == (330.6, 2)
    assert [trouble.text for trouble in troubles] == [
        "330.6 stands although with the decimal point elsewhere, as 3.306 V, it would be within its limits",
        "first typed '33.06', then '330.6'",
    ]


def test_a_noisy_point_that_looks_like_another_one_loses_no_reading() -> None:
    it, typist = hand_meter("5.03", "5.04", "5.02", "5.03", "5.05")
    value, _ = it.read(Function.DC_VOLTS, point="3V3").value()
    assert (value.number, len(typist.prompts)) == (5.04, 2)


def test_a_second_value_stands_though_it_is_doubtful_for_another_reason() -> None:
    it, typist = hand_meter("5.01", "-3.3")
    value, troubles = it.read(Function.DC_VOLTS, point="3V3").value()
    assert (value.number, len(typist.prompts)) == (-3.3, 2)
    assert troubles[0].text.startswith("-3.3 stands although a minus sign")


def test_a_unit_of_another_kind_does_not_use_up_the_question_about_a_slip() -> None:
    it, typist = hand_meter("3.306 A", "33.06", "3.306")
    value, _ = it.read(Function.DC_VOLTS, point="3V3").value()
    assert (value.number, len(typist.prompts)) == (3.306, 3)


def test_a_setting_that_was_wrong_is_not_taken_for_one_that_cannot_be_read() -> None:
    it, _ = hand_supply("it is off", "23.0", "", "", "", "")
    it.switch(1, False)
    it.set_voltage(1, 24.0)
    assert it.settings(1).value().volts is None


@pytest.mark.parametrize(
    "lines",
    [
        ("33.06", "5.01", "-3.3", "33.06", "5.01"),
        ("33.06", "", "", "", ""),
        ("33.06", "3.3 A", "3.3 A", "3.3 A", "3.3 A"),
        ("", "", "", "", "33.06"),
    ],
)
def test_no_doubt_ever_loses_a_value(lines: tuple[str, ...]) -> None:
    it, _ = hand_meter(*lines)
    value, troubles = it.read(Function.DC_VOLTS, point="3V3").value()
    assert value.number is not None
    assert "stands although" in troubles[0].text


def test_a_knob_that_is_still_wrong_is_asked_about_until_it_is_right() -> None:
    it, _ = hand_supply("it is off", "23.0", "23.5", "24.0")
    it.switch(1, False)
    it.set_voltage(1, 24.0)
    assert it.settings(1).value().volts == 24.0


def test_a_value_within_the_readings_own_limits_is_no_slip_though_the_boards_say_so() -> None:
    it, typist = hand_meter("5.01")
    value, troubles = it.read(Function.DC_VOLTS, point="3V3", limits=parse_limits("5 V ± 2 %")).value()
    assert (value.number, troubles, len(typist.prompts)) == (5.01, (), 1)


@pytest.mark.parametrize("line", ["0.01", "10 mV", "5.01", "0.33"])
def test_of_a_dead_board_the_powered_limits_are_no_measure(line: str) -> None:
    it, typist = hand_meter(line)
    value, troubles = it.read(Function.DC_VOLTS, point="3V3", dead=True).value()
    assert (value.raw, troubles, len(typist.prompts)) == (line, (), 1)


def test_ohms_that_no_handheld_meter_shows_are_asked_for_once() -> None:
    it, typist = hand_meter("0.012", "12k")
    value, _ = it.read(Function.OHMS, around=None, point="3V3").value()
    assert (value.number, len(typist.prompts)) == (12000.0, 2)
    assert "that is 12 mΩ, which no handheld meter shows: is it in kΩ or MΩ?" in typist.prompts[1].lines[0]


@pytest.mark.parametrize(
    ("unit", "asked", "shown", "good"),
    [
        ("V", 24.0, 23.9, True),
        ("V", 24.0, 24.2, False),
        ("V", 1.0, 1.05, True),
        ("A", 0.05, 0.04, True),
        ("A", 0.05, 0.02, False),
        ("A", 0.4, 0.42, False),
    ],
)
def test_a_knob_counts_as_set_within_what_its_display_can_show(
    unit: str, asked: float, shown: float, good: bool
) -> None:
    assert knob_limits(asked, unit).accepts(shown) is good


def test_a_line_that_cannot_be_read_is_asked_for_again_with_what_is_wrong() -> None:
    it, typist = hand_meter("3,306", "3.306")
    assert it.read(Function.DC_VOLTS, point="3V3").value()[0].number == 3.306
    assert "has a comma" in typist.prompts[1].lines[0]


def test_lines_that_cannot_be_read_are_no_value_in_the_end() -> None:
    it, typist = hand_meter(*["?"] * 9)
    value, troubles = it.read(Function.DC_VOLTS, point="3V3").value()
    assert (value.number, len(typist.prompts)) == (None, 5)
    assert "'?' cannot be read as a voltage" in troubles[0].text


def test_over_range_and_rising_are_readings_of_an_ohmmeter() -> None:
    it, _ = hand_meter("OL", "7M rising")
    over, _ = it.read(Function.OHMS, point="3V3").value()
    rising, _ = it.read(Function.OHMS, point="3V3").value()
    assert (over.number, over.over_range) == (None, 1)
    assert (rising.number, rising.raw) == (7e6, "7M rising")


def test_a_correction_is_a_new_reading_that_names_the_old_one() -> None:
    at = datetime(2026, 11, 3, 9, tzinfo=UTC)
    old = Reading(
        step=3,
        point="3V3",
        kind=Kind.VOLTAGE,
        value=33.06,
        unit="V",
        limits=LIMITS["3V3"],
        limits_from=LimitsFrom.BOARD,
        result=Result.FAIL,
        at=at,
        monotonic=1.0,
        instrument="meter",
        raw="33.06",
        how=How.TYPED,
    )
    new = corrected(old, "3.306", at=at, monotonic=2.0)
    assert (new.value, new.raw, new.result, new.replaces) == (3.306, "3.306", Result.PASS, old.id)
    assert (new.limits, new.step, new.point) == (old.limits, 3, "3V3")
    assert new.id != old.id
    with pytest.raises(NotationError, match="is in A, but the reading to be corrected is in V"):
        corrected(old, "3.3 A", at=at, monotonic=2.0)


def test_settings_are_dictated_together_while_the_output_is_off_and_read_back_by_the_person() -> None:
    it, typist = hand_supply("it is off", "0.40", "24.00")
    assert it.switch(1, False).value().on is False
    it.set_voltage(1, 0.0)
    it.set_current_limit(1, 0.4)
    it.set_voltage(1, 24.0)
    assert len(typist.prompts) == 1, "nothing is asked before it is needed"
    found = it.settings(1).value()
    assert (found.volts, found.amps, found.on) == (24.0, 0.4, False)
    assert typist.texts[1:] == [
        "Output off. Set the supply's current limit to 400 mA. What does it show?",
        "Output off. Set the supply's voltage to 24 V. What does it show?",
    ]


def test_a_setting_that_is_not_what_was_dictated_is_asked_for_once_more() -> None:
    it, typist = hand_supply("it is off", "23.5", "23.99")
    it.switch(1, False)
    it.set_voltage(1, 24.0)
    assert it.settings(1).value().volts == 23.99
    assert "it was to be 24 V: set it again" in typist.prompts[2].lines[0]


def test_with_the_output_on_a_setting_is_dictated_at_once() -> None:
    it, typist = hand_supply("it is off", "18.0", "it is on", "24.0")
    it.switch(1, False)
    it.set_voltage(1, 18.0)
    assert it.switch(1, True).value().on is True
    assert it.set_voltage(1, 24.0).value().readback == 24.0
    assert typist.texts[-1] == "Set the supply's voltage to 24 V. What does it show?"


def test_off_is_the_persons_word() -> None:
    it, typist = hand_supply("I cannot tell", "it is on", "it is off", leave_alone=(3,))
    assert [it.all_off().value().on for _ in range(3)] == [None, True, False]
    assert typist.prompts[0].danger
    assert "(leave output 3 alone)" in typist.texts[0]


def test_of_an_output_found_on_nothing_is_asked_before_it_is_off() -> None:
    it, typist = hand_supply("it is on", "it is off")
    found = it.settings(1).value()
    assert (found.volts, found.amps, found.on) == (None, None, True)
    it.switch(1, False)
    assert typist.texts == ["Is the supply's output off?", "Switch the supply's output OFF. Is it off?"]


def test_a_supply_by_hand_neither_protects_nor_is_polled() -> None:
    it, typist = hand_supply()
    assert not any(it.can_protect(1, each) for each in Protection)
    assert (
        "no over-voltage protection in reach"
        in it.set_protection(1, Protection.OVER_VOLTAGE, 28).value().troubles[0].text
    )
    sample = it.poll(1).value()
    assert (sample.volts, sample.amps, sample.on, sample.fault, sample.monotonic) == (None, None, None, None, 7.0)
    assert it.attach().value().identity is None
    assert it.info.by_hand
    assert typist.prompts == []
