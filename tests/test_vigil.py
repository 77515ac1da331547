"""When the guardian takes silence for a hang, from the lines it was told alone."""

from __future__ import annotations

import pytest

from bringup.host.vigil import LastWord, Vigil


def told(*lines: tuple[float, str]) -> Vigil:
    vigil = Vigil(5.0)
    for at, line in lines:
        vigil.heard(line, at)
    return vigil


def test_nothing_hangs_while_nothing_is_on() -> None:
    assert not told((0.0, "attempt 1"), (1.0, "beat")).hangs(1e9)


def test_silence_while_an_output_is_on_is_a_hang_after_the_bound() -> None:
    vigil = told((10.0, "on"), (12.0, "beat"))

    assert not vigil.hangs(16.9)
    assert vigil.hangs(17.0)


def test_a_line_that_cannot_be_understood_is_no_sign_of_life() -> None:
    assert told((0.0, "on"), (4.0, "bea"), (4.5, "")).hangs(5.0)


def test_switching_off_may_take_as_long_as_it_says_and_not_longer() -> None:
    vigil = told((0.0, "on"), (1.0, "ending 17.000"))

    assert not vigil.hangs(17.9)
    assert vigil.hangs(18.0)


def test_a_short_ending_does_not_cut_the_bound_and_a_beat_does_not_cut_an_ending() -> None:
    assert not told((0.0, "on"), (1.0, "ending 0.1")).hangs(5.9)
    assert not told((0.0, "on"), (1.0, "ending 17"), (2.0, "beat")).hangs(17.9)


def test_an_ending_whose_time_is_nonsense_is_a_beat() -> None:
    assert told((0.0, "on"), (1.0, "ending inf?")).hangs(6.0)


def test_off_ends_the_vigil_and_on_begins_it_anew() -> None:
    vigil = told((0.0, "on"), (1.0, "off"))

    assert not vigil.hangs(1e9)
    assert (vigil.on, vigil.was_on) == (False, True)
    vigil.heard("on", 20.0)
    assert vigil.hangs(25.0)


def test_a_tool_that_did_not_answer_has_a_moment_to_end() -> None:
    assert told((0.0, "on"), (9.0, "beat")).finishing_until(10.0) == 12.0


def test_a_tool_that_looks_at_its_supply_after_it_was_asked_has_the_bound_and_no_longer() -> None:
    assert told((0.0, "on"), (10.5, "beat")).finishing_until(10.0) == 12.5
    assert told((0.0, "on"), (14.5, "beat")).finishing_until(10.0) == 15.0


def test_a_tool_that_is_switching_off_has_the_time_it_announced_but_not_for_ever() -> None:
    assert told((0.0, "on"), (8.0, "ending 17")).finishing_until(10.0) == 25.0
    assert told((0.0, "on"), (29.0, "ending 17")).finishing_until(10.0) == 30.0


def test_a_tool_that_has_switched_off_has_time_to_record_it() -> None:
    off = told((0.0, "on"), (8.0, "ending 17"), (9.0, "off"))
    assert off.finishing_until(10.0) == 24.0

    off.heard("closed", 11.0)
    assert off.finishing_until(10.0) == 12.0


def test_a_guardian_that_was_not_running_itself_allows_the_bound_once_more() -> None:
    vigil = told((0.0, "on"))
    vigil.overslept(100.0)

    assert not vigil.hangs(104.9)
    assert vigil.hangs(105.0)


@pytest.mark.parametrize("word", list(LastWord))
def test_each_last_word_is_understood(word: LastWord) -> None:
    assert told((0.0, "on"), (1.0, word.value)).last_word is word


def test_what_is_known_of_the_attempt() -> None:
    vigil = told((0.0, "attempt 12ab"))
    assert (vigil.attempt, vigil.closed) == ("12ab", False)

    vigil.heard("closed", 1.0)
    assert (vigil.attempt, vigil.closed) == ("12ab", True)


def test_the_program_under_way_is_known_until_it_has_ended_and_is_no_sign_of_life() -> None:
    vigil = told((0.0, "on"), (4.0, "program 4711 815"))

    assert vigil.program == (4711, "815")
    assert vigil.hangs(5.0)
    assert told((0.0, "program 4711")).program == (4711, "")
    for over in ("program 0", "program", "program x"):
        assert told((0.0, "program 4711 815"), (1.0, over)).program is None
