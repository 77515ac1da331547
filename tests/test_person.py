"""Questions at the terminal: which keys answer which question, and which go to the runner."""

from __future__ import annotations

import pytest

from bringup.runner.endings import MissingEvidence
from bringup.runner.key_words import ALL, AT_A_POINT, TYPED_AT_A_POINT, USUAL, WORDS, foot
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.terminal.nobody import Nobody
from bringup.terminal.person import HINTS, NOT_ALONE, Person, hint
from tests.still_clock import StillClock


class Slow(Person):
    """A person who reads every question before answering, and does not hold keys down."""

    def __init__(self) -> None:
        self.clock = StillClock()
        super().__init__(wake=lambda: None, clock=self.clock)

    def press(self, key: str) -> None:
        self.clock.pass_by(1.0)
        super().press(key)


@pytest.fixture
def person() -> Person:
    return Slow()


def type_in(person: Person, text: str) -> None:
    for key in text:
        person.press(key)


def test_enter_answers_a_go_question(person: Person) -> None:
    pending = person.ask(Prompt(PromptKind.GO, "VIN to 24 V?"))

    person.press("\n")

    assert pending.value() == Answer()
    assert person.question is None


def test_letters_during_a_go_question_are_for_the_runner(person: Person) -> None:
    pending = person.ask(Prompt(PromptKind.GO, "VIN to 24 V?"))

    person.press("q")

    assert not pending.done
    assert person.key() == "q"
    assert person.key() is None


def test_one_key_says_that_the_whole_list_is_good(person: Person) -> None:
    pending = person.ask(Prompt(PromptKind.CHECKLIST, "Before power", lines=("polarity", "nothing plugged in")))

    person.press("a")

    assert pending.value() == Answer()


def test_numbers_name_the_exceptions_and_a_remark_is_asked_for(person: Person) -> None:
    pending = person.ask(Prompt(PromptKind.CHECKLIST, "Before power", lines=("polarity", "bridges", "connector")))

    type_in(person, "3 1\n")
    assert person.remark == "what is wrong with 1, 3?"
    type_in(person, "C4 turned\n")

    assert pending.value() == Answer(text="C4 turned", exceptions=(0, 2))


@pytest.mark.parametrize("typed", ["\n", "4\n", "0\n"])
def test_a_list_is_not_answered_by_nothing_or_by_a_number_that_is_not_there(person: Person, typed: str) -> None:
    pending = person.ask(Prompt(PromptKind.CHECKLIST, "Before power", lines=("polarity", "bridges", "connector")))

    type_in(person, typed)

    assert not pending.done
    assert person.remark == "numbers from 1 to 3, or a for all good"


def test_a_choice_takes_its_number_without_enter(person: Person) -> None:
    pending = person.ask(Prompt(PromptKind.CHOICE, "LED?", choices=("off", "green", "red")))

    person.press("2")

    assert pending.value() == Answer(text="green")


def test_a_typed_value_may_contain_any_letter_and_be_corrected(person: Person) -> None:
    pending = person.ask(Prompt(PromptKind.VALUE, "3V3 at TP4?", unit="V"))

    type_in(person, "3.36\x7f06 V q\x7f\x7f\n")

    assert pending.value() == Answer(text="3.306 V")
    assert person.key() is None


@pytest.mark.parametrize("kind", [PromptKind.VALUE, PromptKind.REASON])
def test_an_empty_line_is_no_value_and_no_reason(person: Person, kind: PromptKind) -> None:
    pending = person.ask(Prompt(kind, "why?"))

    type_in(person, "  \n")

    assert not pending.done
    assert person.remark == "nothing was typed"


def test_a_withdrawn_question_stays_unanswered_and_keys_go_to_the_runner(person: Person) -> None:
    pending = person.ask(Prompt(PromptKind.TEXT, "remark?"))

    person.withdraw()
    person.press("n")

    assert not pending.done
    assert person.key() == "n"


def test_control_characters_are_not_taken_into_an_answer(person: Person) -> None:
    pending = person.ask(Prompt(PromptKind.TEXT, "remark?"))

    type_in(person, "a\x07\x00b\n")

    assert pending.value().text == "ab"


def test_every_kind_of_question_has_a_hint() -> None:
    assert set(HINTS) == set(PromptKind)


@pytest.mark.parametrize(
    ("prompt", "wanted"),
    [
        (Prompt(PromptKind.CHOICE, "?", choices=("a", "b")), "press its number: no Enter"),
        (Prompt(PromptKind.CHOICE, "?", choices=tuple("abcdefghij")), "type its number, then Enter"),
        (Prompt(PromptKind.CHECKLIST, "?", lines=("a",)), "a: all good (no Enter); or the numbers"),
        (Prompt(PromptKind.GO, "?"), "press Enter"),
        (Prompt(PromptKind.VALUE, "?"), "then Enter"),
    ],
)
def test_every_hint_says_whether_enter_is_wanted(prompt: Prompt, wanted: str) -> None:
    assert wanted in hint(prompt)


def test_nobody_gives_the_go_that_the_command_line_gave() -> None:
    assert Nobody().ask(Prompt(PromptKind.GO, "VIN to 24 V?")).value().text == "go, unattended"


@pytest.mark.parametrize("kind", [kind for kind in PromptKind if kind is not PromptKind.GO])
def test_what_only_a_person_can_answer_ends_an_unattended_attempt(kind: PromptKind) -> None:
    pending = Nobody().ask(Prompt(kind, "all parts placed?"))

    with pytest.raises(MissingEvidence, match="nobody is at the bench to answer: all parts placed"):
        pending.value()


IS_OFF = Prompt(
    PromptKind.CHOICE,
    "Is the supply's output off?",
    choices=("it is off", "it is on", "I cannot tell"),
    claim=True,
)
LAMP = Prompt(PromptKind.CHOICE, "the lamp?", choices=("constant voltage", "current limit"), claim=True)


@pytest.mark.parametrize("typed", ["0.01", "28", "1.0", "1 V", "01", "x1", "12.02 V", "it", "4", ""])
def test_a_claim_is_taken_from_no_line_that_holds_anything_else(person: Person, typed: str) -> None:
    pending = person.ask(IS_OFF)

    type_in(person, typed)
    assert not pending.done
    type_in(person, "\n")

    assert not pending.done
    assert "nothing was taken" in person.remark
    assert person.typed == ""
    assert person.key() is None


@pytest.mark.parametrize(
    ("prompt", "typed", "taken"),
    [
        (IS_OFF, "1", "it is off"),
        (IS_OFF, "off", "it is off"),
        (IS_OFF, " ON ", "it is on"),
        (IS_OFF, "I cannot tell", "I cannot tell"),
        (LAMP, "limit", "current limit"),
        (LAMP, "1", "constant voltage"),
    ],
)
def test_a_claim_is_taken_by_its_number_or_its_word_and_enter(
    person: Person, prompt: Prompt, typed: str, taken: str
) -> None:
    pending = person.ask(prompt)

    type_in(person, typed + "\n")

    assert pending.value() == Answer(text=taken)
    assert hint(prompt) == "type its number or its last word, then Enter"  # and no key that is refused there


def test_a_command_alone_on_the_line_of_a_claim_goes_to_the_runner(person: Person) -> None:
    pending = person.ask(IS_OFF)

    type_in(person, "c\n")

    assert not pending.done
    assert person.key() == "c"


def test_a_value_typed_where_enter_is_wanted_switches_nothing_on(person: Person) -> None:
    pending = person.ask(Prompt(PromptKind.GO, "VIN to 24 V. Enter switches it ON"))

    type_in(person, "24.02\n")
    assert not pending.done
    assert person.remark == NOT_ALONE
    type_in(person, "\n")

    assert pending.done


def test_a_choice_is_not_answered_by_a_number_with_zeros_before_it(person: Person) -> None:
    pending = person.ask(Prompt(PromptKind.CHOICE, "LED?", choices=("off", "green")))

    type_in(person, "01\n")

    assert not pending.done


KEYED = Prompt(PromptKind.VALUE, "5V0: what does the meter show?", unit="V", keys=TYPED_AT_A_POINT)


@pytest.mark.parametrize("key", sorted(set(TYPED_AT_A_POINT) - {"o"}))
def test_a_key_in_the_place_of_a_value_acts_without_enter(person: Person, key: str) -> None:
    pending = person.ask(KEYED)

    person.press(key)

    assert pending.value() == Answer(text=key)


def test_once_a_value_is_begun_letters_belong_to_it_and_o_may_begin_ol(person: Person) -> None:
    pending = person.ask(KEYED)

    type_in(person, "4.7k")
    assert (person.typed, pending.done) == ("4.7k", False)
    person.press("\x1b")
    type_in(person, "oL\n")

    assert pending.value() == Answer(text="oL")


def test_o_takes_enter_where_a_value_is_typed(person: Person) -> None:
    pending = person.ask(KEYED)

    type_in(person, "o\n")

    assert pending.value() == Answer(text="o")


def test_the_foot_line_says_what_keys_do_in_the_place_of_a_value(person: Person) -> None:
    person.ask(KEYED)

    assert person.keys_line == (
        "Enter takes it  r again  x extra  l leave out  L step  n note  w rework  o Enter seen  p photo  q call off"
        "  c correct"
    )
    person.press("4")
    assert person.keys_line == "Enter takes it    Esc clears the line    Ctrl-C calls off"


def test_a_value_that_takes_no_keys_takes_letters_as_text(person: Person) -> None:
    person.ask(Prompt(PromptKind.VALUE, "What does it show?"))

    person.press("r")

    assert person.typed == "r"


def test_every_key_has_one_meaning_and_a_word() -> None:
    assert len(set(ALL)) == len(ALL)
    assert set(USUAL + AT_A_POINT) <= set(WORDS)
    assert (WORDS["r"], WORDS["w"], WORDS["o"]) == ("again", "rework", "seen")
    assert len(foot(USUAL)) <= 80
