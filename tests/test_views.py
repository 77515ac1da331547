"""What is to be seen of an attempt: lines that stay, the status, the bell; at a fixed width and without colour."""

from __future__ import annotations

import io
import itertools
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from bringup.commands.tables import limits_text, value_text
from bringup.core.harmless import harmless
from bringup.core.limits import parse_limits
from bringup.core.reading import Reading
from bringup.core.verdict import sentence
from bringup.core.words import Kind, LimitsFrom, Result
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.protocols import Told
from bringup.runner.records import LinkFault, PollSample
from bringup.terminal.keystrokes import ENTER
from bringup.terminal.live import LiveView
from bringup.terminal.person import NOT_ALONE, Person
from bringup.terminal.pictures import ASCII, UNICODE, place
from bringup.terminal.plain import PlainView
from bringup.terminal.readings import reading_line
from bringup.terminal.rings import Ring
from bringup.terminal.scene import Scene

LIMITS = parse_limits("3.3 V ± 2 %")
GOOD = Reading(
    step=4,
    point="3V3",
    kind=Kind.VOLTAGE,
    value=3.306,
    unit="V",
    limits=LIMITS,
    limits_from=LimitsFrom.BOARD,
    result=Result.PASS,
    at=datetime(2026, 11, 25, 9, 0, tzinfo=UTC),
    monotonic=12.5,
    instrument="meter",
    raw="+3.30600000E+00",
    resolution=0.001,
)


class Terminal(io.StringIO):
    """A stream that says what it can write, as a terminal does."""

    encoding = "utf-8"


def shown(*told: Told) -> str:
    stream = Terminal()
    view = PlainView(stream)
    view.start()
    for one in told:
        view.tell(one)
    view.close()
    return stream.getvalue()


def test_a_reading_is_one_line_with_its_place_between_its_limits() -> None:
    line = reading_line(GOOD)

    assert len(line.text) <= 112
    picture = "├──────────┼◆─────────┤"
    assert line.text == f"  3V3{'3.306 V':>39}  {picture}  3.234 V .. 3.366 V         +0.18 %  pass"


def test_a_reading_fits_into_eighty_columns_where_there_are_no_more() -> None:
    line = reading_line(GOOD, narrow=True)

    assert line.text == "  3V3                     3.306 V  ├────┼────┤  3.234 V .. 3.366 V    pass".replace("┼", "◆")
    assert len(line.text) <= 80


def test_a_slope_is_told_by_the_hour_everywhere() -> None:
    slope = replace(GOOD, aspect="slope per hour", limits=parse_limits("-1 mV .. 1 mV"), value=0.002)
    failed = replace(slope, result=Result.FAIL)

    assert "2 mV/h " in reading_line(slope).text
    assert " -1 mV/h .. 1 mV/h " in reading_line(slope, narrow=True).text
    assert sentence(failed) == "3V3 slope per hour voltage 2 mV/h, wanted -1 mV .. 1 mV an hour"
    assert (value_text(slope), limits_text(slope)) == ("2 mV/h", "-1 mV .. 1 mV/h")


@pytest.mark.parametrize(
    ("value", "picture"),
    [
        (3.234, " [#---------+----------] "),
        (3.3, " [----------#----------] "),
        (3.366, " [----------+---------#] "),
        (3.4, " [----------+----------]>"),
        (3.0, "<[----------+----------] "),
    ],
)
def test_the_picture_shows_where_a_value_lies(value: float, picture: str) -> None:
    assert place(value, LIMITS, ASCII) == picture


@pytest.mark.parametrize("value", [3.3, None, -1e9])
def test_every_picture_has_the_same_width(value: float | None) -> None:
    widths = {len(place(value, limits, UNICODE)) for limits in (LIMITS, None, parse_limits("< 50 mV"))}

    assert widths == {25}


def test_a_failed_reading_says_so_in_words_and_rings_twice() -> None:
    scene = Scene()

    (line,) = scene.take(Told("reading", reading=replace(GOOD, value=3.4, result=Result.FAIL)))

    assert line.text.endswith("FAIL")
    assert scene.ring is Ring.FAILED
    assert len(scene.failures) == 1


@pytest.mark.parametrize(
    ("told", "strikes"),
    [
        ([Told("reading", reading=GOOD)], 1),
        ([Told("reading", reading=replace(GOOD, value=3.4, result=Result.FAIL))], 2),
        ([Told("reading", reading=replace(GOOD, value=None, result=Result.NO_VALUE))], 2),
        ([Told("trip", "VIN draws 300 mA, above the trip level of 230 mA")], 4),
        ([Told("off-unknown", "no answer")], 4),
        ([Told("reading", reading=GOOD), Told("event", "a note"), Told("going", "a wait")], 1),
        ([Told("step-begun", "measure 3V3", step=4)], 0),
    ],
)
@pytest.mark.parametrize("view_of", [PlainView, LiveView])
def test_the_bell_says_by_its_strikes_taken_failed_or_tripped(
    told: list[Told], strikes: int, view_of: type[PlainView | LiveView], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bringup.terminal.view._STRIKE", 0.0)
    stream = Terminal()
    view = view_of(stream, Person(wake=lambda: None))
    view._write = lambda line: None  # type: ignore[method-assign]

    for each in told:
        view.tell(each)
        view._show_told()

    assert stream.getvalue() == "\a" * strikes


def test_no_value_is_words_not_a_number() -> None:
    line = reading_line(replace(GOOD, value=None, result=Result.NO_VALUE, raw=""))

    assert "no value" in line.text
    assert line.text.endswith("NO VALUE")


def test_an_unsettled_reading_shows_its_range() -> None:
    reading = replace(GOOD, result=Result.FAIL, unsettled=True, lowest=3.1, highest=3.5)

    assert reading_line(reading).text.endswith("FAIL; unsettled: 3.100 V .. 3.500 V")


def test_an_unknown_output_state_fills_the_screen_with_what_to_do() -> None:
    text = shown(Told("off-unknown", "OUTPUT STATE UNKNOWN: pull the leads", data={"why": "the supply is silent"}))

    assert [line for line in text.splitlines() if len(line) != 78] == []
    assert "!! █   █ █   █   █   █   █ █   █   █       █       █   █   █   █   █        !!" in text
    assert "!! OUTPUT STATE UNKNOWN: USE THE SWITCH ON THE SUPPLY, NOW " in text
    assert "!! pull the leads " in text
    assert "!! the supply is silent " in text


def test_terminal_escapes_from_an_instrument_are_shown_not_obeyed() -> None:
    text = shown(Told("event", "meter: \x1b]0;hello\x07 \x9b31m"))

    assert "\x1b" not in text
    assert "\x07" not in text
    assert r"\x1b]0;hello\x07 \x9b31m" in text


def test_harmless_leaves_the_letters_of_the_trade_alone() -> None:
    assert harmless("3.3 V ± 2 %, 10 kΩ, 4.7 µF") == "3.3 V ± 2 %, 10 kΩ, 4.7 µF"


def test_the_end_says_the_result_what_failed_and_that_it_was_simulated() -> None:
    text = shown(
        Told("attempt-begun", "MBL-0001: First power-on", data={"simulated": True}),
        Told("reading", reading=replace(GOOD, value=3.4, result=Result.FAIL)),
        Told("attempt-ended", "3V3 is 3.4 V", data={"result": "failed", "off_verified": True}),
    )

    assert "SIMULATED: no real board was measured" in text
    assert "FAILED (SIMULATED): 3V3 is 3.4 V" in text
    assert text.count("  FAIL\n") == 2
    assert "  what failed:\n" in text
    assert "1 reading kept; outputs OFF, verified" in text


def test_what_the_cause_names_is_not_said_again() -> None:
    one, other = replace(GOOD, value=3.4, result=Result.FAIL), replace(GOOD, point="1V8", result=Result.FAIL)
    cause = "step 5 (measure): 3V3 voltage 3.4 V, wanted 3.3 V ± 2 %"
    exact = replace(one, resolution=0.1)

    alone = shown(Told("reading", reading=exact), Told("attempt-ended", cause, data={"result": "failed"}))
    beside = shown(
        Told("reading", reading=exact),
        Told("reading", reading=other),
        Told("attempt-ended", cause, data={"result": "failed"}),
    )

    assert "what failed" not in alone
    assert beside.count("what failed beside it:") == 1
    assert (beside.count("1V8"), beside.count("3V3")) == (2, 2)


def test_the_verdict_says_what_tripped_which_step_was_under_way_and_where_it_is_kept() -> None:
    words = "VIN draws 900 mA, above the trip level of 220 mA"

    scene = Scene(kept_in="bringup.db")
    scene.take(Told("attempt-begun", "First power-on", data={"attempt": "1f0c2a9e-77", "simulated": True}))
    scene.take(Told("trip", words))
    ended = {"result": "failed", "off_verified": True, "under_way": "step 5 (measure)"}
    lines = [line.text for line in scene.take(Told("attempt-ended", words, data=ended))]

    assert f"FAILED (SIMULATED): {words}; step 5 (measure) was under way [attempt 1f0c2a9e, bringup.db]" in lines


@pytest.mark.parametrize(
    ("cause", "under_way", "line"),
    [
        ("step 5 (measure): 3V3 is 3.4 V", "step 5 (measure)", "FAILED: step 5 (measure): 3V3 is 3.4 V\n"),
        ("", "step 5 (measure)", "FAILED: step 5 (measure) was under way\n"),
        ("3V3 is 3.4 V", "", "FAILED: 3V3 is 3.4 V\n"),
    ],
)
def test_the_step_under_way_is_said_once(cause: str, under_way: str, line: str) -> None:
    assert line in shown(Told("attempt-ended", cause, data={"result": "failed", "under_way": under_way}))


def test_a_warning_stands_beside_the_result() -> None:
    ended = Told("attempt-ended", "", data={"result": "passed", "warned": "VIN at the board is low"})

    assert "PASSED, with a warning: VIN at the board is low\n" in shown(ended)


def test_the_result_is_not_repeated_in_its_cause() -> None:
    for cause, line in (("called off by Ctrl-C", "CALLED OFF: by Ctrl-C\n"), ("called off", "CALLED OFF\n")):
        assert line in shown(Told("attempt-ended", cause, data={"result": "called off"}))


def test_a_passed_attempt_says_so_with_its_count() -> None:
    text = shown(
        Told("reading", reading=GOOD), Told("attempt-ended", "", data={"result": "passed", "off_verified": True})
    )

    assert text.endswith("PASSED\n  1 reading kept; outputs OFF, verified\n")


def test_told_things_beyond_the_queue_are_dropped_without_blocking() -> None:
    view = PlainView(Terminal())  # not started: nobody takes anything out

    for number in range(20_000):
        view.tell(Told("event", str(number)))
        view.tell(Told("poll", poll=PollSample(float(number), 1)))

    assert len(view._told) <= 5_000


def live_status(*told: Told, person: Person | None = None, width: int | None = None) -> str:
    """What the foot of the screen shows, as text; on a terminal of that width."""
    from rich.console import Console

    view = LiveView(Terminal(), person)
    view._console = None if width is None else Console(file=io.StringIO(), width=width, _environ={})
    for one in told:
        view.scene.take(one)
    stream = io.StringIO()
    Console(file=stream, width=100, _environ={}).print(view._status())
    return stream.getvalue()


BEGUN = Told("attempt-begun", "MBL-0001: First power-on", data={"simulated": True})


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (Told("power", data={"on": "yes"}), "INPUT ON"),
        (Told("power", data={"on": "no"}), "INPUT OFF"),
        (Told("off-unknown", "no answer"), "!!! OUTPUT STATE UNKNOWN: USE THE SWITCH ON THE SUPPLY, NOW !!!"),
        (Told("poll", poll=PollSample(1.0, 1, on=True)), "INPUT ON"),
    ],
    ids=["on", "off", "unknown", "polled"],
)
def test_the_status_says_in_words_whether_the_input_is_on(told: Told, words: str) -> None:
    assert words in live_status(BEGUN, told)


def test_the_status_shows_volts_amps_watts_and_current_limit() -> None:
    poll = PollSample(1.0, 1, volts=24.0, amps=0.0842, on=True, mode="current", set_volts=24.0, set_amps=0.4)

    status = live_status(BEGUN, Told("poll", poll=poll))

    assert "24.000 V  0.0842 A  2.021 W" in status
    assert "IN CURRENT LIMIT" in status
    assert "set 24 V, limit 0.4 A" in status


def test_the_status_says_what_a_load_draws_until_it_is_off() -> None:
    def draws(point: str | None, on: str) -> Told:
        data = {"kind": "load", "on": on, "draws": "constant current 50 mA"}
        return Told("event", "the load", data=data if point is None else {**data, "point": point})

    both = (BEGUN, draws("3V3", "yes"), draws("5V0", "yes"))
    assert "LOAD ON  3V3: constant current 50 mA; 5V0: constant current 50 mA" in live_status(*both)
    one = live_status(*both, draws("3V3", "no"), Told("event", "a note", data={"kind": "load"}))
    assert "LOAD ON  5V0: constant current 50 mA" in one
    assert "LOAD ON" not in live_status(*both, draws(None, "no"))


def test_a_silent_supply_shows_dashes_not_zeros() -> None:
    poll = PollSample(1.0, 1, fault=LinkFault.TIMEOUT)

    status = live_status(BEGUN, Told("poll", poll=poll))

    assert "- V  - A  - W" in status
    assert "supply: no answer in time" in status


def test_a_question_shows_its_numbered_list_and_how_to_answer() -> None:
    person = Person(wake=lambda: None)
    person.ask(Prompt(PromptKind.CHECKLIST, "Before power", lines=("polarity", "nothing else plugged in")))
    person.press("2")

    status = live_status(BEGUN, person=person)

    assert "? Before power" in status
    assert "2  nothing else plugged in" in status
    assert "a: all good" in status
    assert " > 2▏" in status


def test_a_remark_too_long_for_the_line_goes_below_it_set_in() -> None:
    person = Person(wake=lambda: None, clock=itertools.count().__next__)
    person.ask(Prompt(PromptKind.GO, "Probe on TP1"))
    for key in ("7", ENTER):
        person.press(key)

    lines = [line.rstrip() for line in live_status(BEGUN, person=person, width=80).splitlines()]

    at = lines.index(" > ▏")
    assert " ".join(line.strip() for line in lines[at + 1 : at + 3]) == NOT_ALONE
    assert all(len(line) <= 80 and line.startswith("   ") for line in lines[at + 1 : at + 3])


def test_a_plain_terminal_echoes_what_is_typed() -> None:
    stream = Terminal()
    person = Person(wake=lambda: None)
    view = PlainView(stream, person)

    person.ask(Prompt(PromptKind.VALUE, "3V3 at TP4?", unit="V"))
    view._draw()
    for key in "3.37\x7f":
        person.press(key)
        view._draw()

    assert stream.getvalue().endswith(
        "? 3V3 at TP4?\n   [type what is shown, then Enter (in V if no unit is typed)]\n3.37\b \b"
    )
