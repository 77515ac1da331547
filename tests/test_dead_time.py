"""A key answers only what somebody can have read: no double Enter, no held key, nothing that is not on the screen."""

from __future__ import annotations

import pytest

from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.terminal.deadtime import FIRST_REPEAT, UNREAD
from bringup.terminal.person import BEGUN_TOO_SOON, KEYS, TOO_SOON, Person
from tests.still_clock import StillClock

GO = Prompt(PromptKind.GO, "VIN to 24 V? Enter switches it ON")
VALUE = Prompt(PromptKind.VALUE, "3V3 at TP4?", unit="V")
NOTE = Prompt(PromptKind.TEXT, "Note", optional=True)


class AtTheKeyboard:
    """A person, and the clock that says when each key is pressed."""

    def __init__(self) -> None:
        self.clock = StillClock()
        self.person = Person(wake=lambda: None, clock=self.clock)

    def ask(self, prompt: Prompt) -> Pending[Answer]:
        return self.person.ask(prompt)

    def press(self, keys: str, after: float = 1.0) -> None:
        """Press each of the keys, so long after what was before."""
        for key in keys:
            self.clock.pass_by(after)
            self.person.press(key)


@pytest.fixture
def at() -> AtTheKeyboard:
    return AtTheKeyboard()


@pytest.mark.parametrize(
    ("prompt", "key"),
    [
        (GO, "\n"),
        (GO, " "),
        (Prompt(PromptKind.CAUTION, "60 V"), "\n"),
        (Prompt(PromptKind.CHECKLIST, "Before power", lines=("polarity",)), "a"),
        (Prompt(PromptKind.CHOICE, "Is it off?", choices=("off", "on")), "1"),
        (NOTE, "\n"),
        (Prompt(PromptKind.VALUE, "5V0: what does the meter show?", keys="rxl"), "l"),
    ],
)
def test_a_key_that_comes_before_one_could_read_is_no_answer_and_is_not_kept(
    at: AtTheKeyboard, prompt: Prompt, key: str
) -> None:
    pending = at.ask(prompt)

    at.press(key, after=UNREAD - 0.01)
    assert not pending.done
    assert at.person.remark == TOO_SOON
    assert at.person.key() is None
    at.clock.pass_by(10.0)
    assert not pending.done

    at.press(key)
    assert pending.done


def test_the_second_enter_of_an_impatient_finger_says_no_go(at: AtTheKeyboard) -> None:
    first = at.ask(GO)
    at.press("\n")
    second = at.ask(GO)

    at.press("\n", after=0.25)

    assert first.done
    assert not second.done


def test_a_finger_that_stays_on_enter_never_answers_the_next_question(at: AtTheKeyboard) -> None:
    at.ask(GO)
    at.press("\n")
    second = at.ask(GO)

    at.press("\n", after=FIRST_REPEAT - 0.04)
    at.press("\n" * 200, after=0.033)

    assert not second.done
    at.press("\n", after=0.5)
    assert second.done


def test_somebody_who_presses_again_and_again_gets_through(at: AtTheKeyboard) -> None:
    pending = at.ask(GO)

    at.press("\n" * 3, after=0.25)

    assert pending.done


def test_a_question_that_is_not_on_the_screen_is_answered_by_nothing(at: AtTheKeyboard) -> None:
    at.person.on_changed(lambda: None)
    pending = at.ask(GO)

    at.press("\n" * 5)
    at.person.shown(at.person.put - 1)
    at.press("\n")
    assert not pending.done

    at.person.shown(at.person.put)
    at.press("\n", after=UNREAD / 2)
    assert not pending.done
    at.press("\n")
    assert pending.done


def test_calling_off_is_never_too_soon(at: AtTheKeyboard) -> None:
    at.ask(GO)

    at.press("q", after=0.0)

    assert at.person.key() == "q"


def test_what_is_typed_ahead_stays_in_the_line_and_waits_for_one_more_enter(at: AtTheKeyboard) -> None:
    pending = at.ask(VALUE)

    at.press("3.306\n", after=0.05)
    assert at.person.typed == "3.306"
    assert not pending.done
    at.press("\n")

    assert pending.value() == Answer(text="3.306")


def test_a_claim_is_never_made_by_a_line_that_was_begun_before_it_could_be_read(at: AtTheKeyboard) -> None:
    pending = at.ask(Prompt(PromptKind.CHOICE, "Is it off?", choices=("it is off", "it is on"), claim=True))

    at.press("1", after=0.05)
    at.press("\n")
    assert not pending.done
    assert at.person.remark == BEGUN_TOO_SOON
    at.press("1\n")

    assert pending.done


def test_a_double_enter_takes_no_empty_note(at: AtTheKeyboard) -> None:
    pending = at.ask(NOTE)

    at.press("\n", after=0.1)

    assert not pending.done


def test_presses_that_mean_nothing_do_not_push_out_the_one_that_calls_off(at: AtTheKeyboard) -> None:
    at.press("q")

    at.press("\n \x1b\x7f" * 50, after=0.03)

    assert at.person.key() == "q"


# Esc, and what the footer says


def test_esc_clears_the_line_and_then_takes_a_note_back(at: AtTheKeyboard) -> None:
    pending = at.ask(NOTE)
    assert at.person.keys_line == "Enter takes it    Esc takes the question back    Ctrl-C calls off"

    at.press("L2 hums")
    assert at.person.keys_line == "Enter takes it    Esc clears the line    Ctrl-C calls off"
    at.press("\x1b")
    assert at.person.typed == ""
    assert not pending.done
    at.press("\x1b")

    assert pending.value() == Answer()


@pytest.mark.parametrize("prompt", [VALUE, Prompt(PromptKind.REASON, "why?"), Prompt(PromptKind.TEXT, "What colour?")])
def test_esc_answers_nothing_that_has_to_be_answered(at: AtTheKeyboard, prompt: Prompt) -> None:
    pending = at.ask(prompt)

    at.press("x\x1b\x1b")

    assert not pending.done
    assert at.person.remark == "this one has to be answered; Ctrl-C calls off, outputs off"
    at.press("y\n")
    assert pending.value().text == "y"


@pytest.mark.parametrize(
    "prompt", [GO, Prompt(PromptKind.CAUTION, "60 V"), Prompt(PromptKind.CHOICE, "?", choices=("a", "b"))]
)
def test_esc_never_answers_a_question_of_one_key(at: AtTheKeyboard, prompt: Prompt) -> None:
    pending = at.ask(prompt)

    at.press("\x1b")

    assert not pending.done
    assert at.person.keys_line == KEYS


def test_esc_goes_back_from_the_remark_to_the_list(at: AtTheKeyboard) -> None:
    pending = at.ask(Prompt(PromptKind.CHECKLIST, "Before power", lines=("polarity", "bridges")))
    at.press("2\n")
    assert at.person.typing
    assert at.person.keys_line == "Enter takes it    Esc goes back to the list    Ctrl-C calls off"

    at.press("\x1b")
    at.press("a")

    assert pending.value() == Answer()


def test_q_calls_off_at_once_where_keys_stand_for_themselves(at: AtTheKeyboard) -> None:
    pending = at.ask(Prompt(PromptKind.VALUE, "5V0: what does the meter show?", keys="rxlq"))

    at.press("q", after=0.01)

    assert pending.value() == Answer(text="q")
