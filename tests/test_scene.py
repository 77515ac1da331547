"""What stays on the screen of an attempt: claims, notes, runs of lines, waits, the unknown state, broken lines."""

from __future__ import annotations

import io
import re
import time
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.core.limits import Limits, parse_limits
from bringup.core.words import Kind, Result
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.protocols import Told
from bringup.runner.records import PollSample
from bringup.terminal.letters import large
from bringup.terminal.lines import Line, Tone, wrapped
from bringup.terminal.live import LiveView
from bringup.terminal.person import KEYS, Person
from bringup.terminal.pictures import ASCII, place
from bringup.terminal.plain import PlainView
from bringup.terminal.readings import bounds, deviation, reading_line
from bringup.terminal.scene import Scene
from tests.test_views import GOOD, Terminal, live_status, shown

BY_HAND = Told(
    "attempt-begun", "First power-on", data={"serial": "MBL-0001", "by_hand": True, "supply": True, "on": "no"}
)
BEGUN = Told("attempt-begun", "First power-on", data={"serial": "MBL-0001", "supply": True, "on": "no"})
UNKNOWN = Told("off-unknown", "OUTPUT STATE UNKNOWN: pull the leads", data={"why": "the supply is silent"})
ALARM = "OUTPUT STATE UNKNOWN: USE THE SWITCH ON THE SUPPLY, NOW"


def ended(result: str = "passed", cause: str = "", *, off: bool | None = True, by_hand: bool = False) -> Told:
    return Told("attempt-ended", cause, data={"result": result, "off_verified": off, "by_hand": by_hand})


def power(on: str, text: str = "") -> Told:
    return Told("power", text, data={"on": on})


def not_reached(index: int, title: str) -> Told:
    return Told(
        "step-ended", f"step {index + 1} not reached: {title}", step=index, data={"outcome": "not reached", "why": ""}
    )


# several inputs


def fed(name: str, output: int, volts: float) -> tuple[Told, ...]:
    look = PollSample(1.0, output, volts=volts, amps=0.1, on=True, set_volts=volts, set_amps=0.2)
    switched = Told("power", data={"on": "yes", "input": name, "output": output})
    return switched, Told("power", f"{name} ON", data={"on": "yes", "input": name}), Told("poll", poll=look)


def test_each_input_that_is_on_has_its_figures_at_the_foot() -> None:
    both = live_status(BEGUN, *fed("VIN", 1, 12.0), *fed("VDRV", 102, 24.0))
    (first, second) = [line for line in both.splitlines() if " W " in line]
    assert "INPUT ON    VIN  12.000 V" in first
    assert "VDRV  24.000 V" in second
    assert "INPUT" not in second


def test_with_one_of_two_inputs_off_power_is_on_and_only_the_other_is_shown() -> None:
    gone = Told("power", data={"on": "yes", "gone": 102})
    off = Told("power", "VDRV OFF, verified by asking", data={"on": "yes", "input": "VDRV"})
    status = live_status(BEGUN, *fed("VIN", 1, 12.0), *fed("VDRV", 102, 24.0), gone, off)
    assert "INPUT ON" in status
    assert "12.000 V" in status
    assert "24.000 V" not in status


def test_a_look_at_an_output_that_is_off_does_not_hide_that_another_is_on() -> None:
    gone = Told("poll", poll=PollSample(2.0, 102, on=False))
    assert "INPUT ON" in live_status(BEGUN, *fed("VIN", 1, 12.0), *fed("VDRV", 102, 24.0), gone)


# a supply that a person sets


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ((), "INPUT ?? (nobody has said)"),
        ((power("no"),), "INPUT OFF (as said)"),
        ((power("no"), power("unknown")), "INPUT ?? (nobody has said)"),
        ((power("unknown"), power("yes", "VIN ON at 24 V")), "INPUT ON (as said)"),
        ((power("yes", "VIN ON at 24 V"), Told("poll", poll=PollSample(1.0, 1, on=False))), "INPUT ON (as said)"),
    ],
    ids=["nothing said", "said off", "being switched", "said on", "a poll says nothing"],
)
def test_by_hand_the_banner_is_a_persons_claim(told: tuple[Told, ...], words: str) -> None:
    assert words in live_status(BY_HAND, *told)


def test_a_supply_that_was_asked_needs_nobodys_word() -> None:
    assert "  INPUT OFF  \n" in live_status(BEGUN)
    assert "(as said)" not in live_status(BEGUN, power("yes", "VIN ON at 24 V"))


def test_by_hand_plain_lines_say_that_they_are_claims() -> None:
    text = shown(
        BY_HAND,
        power("no"),
        power("no"),
        power("unknown"),
        power("yes", "VIN ON at 24 V"),
        power("no", "VIN OFF, by the person's word"),
        ended(by_hand=True),
    )

    assert "supply set by hand: ON and OFF are what the person says, and nothing but the person watches" in text
    assert text.count("  INPUT OFF (as said)\n") == 1
    assert "  VIN ON at 24 V (as said)\n" in text
    assert text.endswith("PASSED\n  0 readings kept; outputs OFF, by the person's word\n")


def test_an_attempt_in_which_nothing_was_switched_on_says_so() -> None:
    assert shown(ended("called off", off=None)).endswith("  0 readings kept; nothing was switched on\n")


def test_an_output_found_on_is_shown_on_until_it_is_off() -> None:
    found_on = replace(BEGUN, data={**BEGUN.data, "on": "yes"})

    assert "INPUT ON" in live_status(found_on)
    assert "INPUT OFF" in live_status(found_on, power("no"))


def test_a_bench_without_a_supply_claims_nothing() -> None:
    assert "NO SUPPLY ON THIS BENCH" in live_status(replace(BEGUN, data={**BEGUN.data, "supply": False}))


# the unknown state


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_the_unknown_state_stands_above_the_result_too_in_large_letters(encoding: str) -> None:
    class Narrow(Terminal):
        pass

    Narrow.encoding = encoding
    stream = Narrow()
    view = PlainView(stream)
    view.start()
    for told in (
        BEGUN,
        UNKNOWN,
        UNKNOWN,
        not_reached(4, "measure"),
        ended("broken off", "the supply is lost", off=False),
    ):
        view.tell(told)
    view.close()
    text = stream.getvalue()

    assert text.count(f"!! {ALARM} ") == 2
    still = "STILL UNKNOWN: USE THE SWITCH ON THE SUPPLY, NOW. pull the leads; the supply is silent"
    assert text.count(still) == 1
    result = text.index("BROKEN OFF: the supply is lost")
    assert text.rindex("!" * 78) < result
    assert text[text.rindex("!" * 78) : result].strip("!\n") == ""
    assert text.endswith("  0 readings kept; OUTPUT STATE UNKNOWN: use the switch\n")


def test_the_unknown_state_fits_above_its_result_in_a_terminal_of_24_rows() -> None:
    scene = Scene(width=80)
    scene.take(BEGUN)
    scene.take(UNKNOWN)

    lines = scene.take(ended("broken off", "the supply is lost", off=False))

    assert len(lines) <= 22
    assert max(len(line.text) for line in lines) <= 80
    assert [line.tone for line in lines].count(Tone.ALARM) >= 15


def test_the_status_cries_out_until_the_outputs_are_known_to_be_off() -> None:
    poll = Told("poll", poll=PollSample(1.0, 1, volts=24.0, amps=0.1, on=True))

    status = live_status(BEGUN, poll, UNKNOWN, Told("step-begun", "measure", step=1))
    assert status.count(ALARM) == 3
    assert "24.000 V" not in status, "what was read before is not known any more"
    assert " pull the leads" in status
    assert KEYS not in status, "no key does anything meanwhile but what was said"
    assert ALARM in live_status(BEGUN, UNKNOWN, Told("poll", poll=PollSample(2.0, 1, on=False)))
    assert ALARM not in live_status(BEGUN, UNKNOWN, power("no", "every output OFF, verified by asking"))


def test_a_terminal_too_narrow_for_the_letters_gets_the_words() -> None:
    scene = Scene(width=40)

    lines = [line.text for line in scene.take(UNKNOWN)]

    assert max(map(len, lines)) <= 40
    assert "OUTPUT STATE UNKNOWN: USE THE" in "\n".join(lines)
    assert "█" not in "".join(lines)


# notes, answers, runs of lines


def answered(asked: str, answer: str, kind: PromptKind = PromptKind.TEXT) -> Told:
    return Told("prompt-answered", asked, data={"answer": answer, "kind": str(kind), "by_itself": False})


def note(text: str) -> Told:
    return Told("event", text, data={"kind": "note"})


def test_a_note_is_printed_once_when_it_has_been_kept() -> None:
    assert shown(answered("Note", "L2 hums"), note("L2 hums")) == "  note: L2 hums\n"
    assert shown(answered("Which LED?", "green"), note("Which LED? green")) == "  note: Which LED? green\n"


def test_an_answer_that_nothing_repeats_is_printed() -> None:
    lamp = answered("What does the lamp say?", "constant voltage", PromptKind.CHOICE)

    assert shown(lamp, power("yes", "VIN ON")) == "  What does the lamp say?  constant voltage\n  VIN ON\n"
    assert shown(answered("Note", "one"), note("another")) == "  Note  one\n  note: another\n"


def test_a_note_that_was_taken_back_leaves_nothing() -> None:
    assert shown(answered("Note", "")) == ""
    assert shown(answered("Probe on TP4", "", PromptKind.GO)) == "  Probe on TP4\n"


def test_steps_that_were_not_reached_are_one_line() -> None:
    steps = [not_reached(index, f"step called {index + 1}") for index in range(7, 14)]

    text = shown(BEGUN, *steps[:3], Told("poll", poll=PollSample(1.0, 1)), *steps[3:], ended("called off"))

    assert text.count("not reached") == 1
    assert "  steps 8 to 14 not reached: step called 8; step called 9; 4 more; step called 14\n\nCALLED OFF" in text


def test_one_step_that_was_not_reached_is_named_with_its_number() -> None:
    assert "  step 3 not reached: measure 3V3\n" in shown(not_reached(2, "measure 3V3"), ended("called off"))
    gap = shown(not_reached(2, "a"), not_reached(4, "b"), ended("called off"))
    assert "  steps 3 and 5 not reached: a; b\n" in gap


# waits


def going(text: str, seconds: float) -> Told:
    return Told("going", text, data={"until": time.monotonic() + seconds, "seconds": seconds})


def test_a_wait_of_less_than_a_second_is_not_worth_a_line() -> None:
    assert "discharge" not in live_status(BEGUN, going("the terminals discharge", 0.9))
    assert re.search(r"dwell, (60\.0|59\.\d) s left", live_status(BEGUN, going("dwell", 60.0)))


def test_short_waits_that_come_again_and_again_are_named_without_a_countdown() -> None:
    status = live_status(BEGUN, *[going("the terminals discharge", 0.2)] * 8)

    assert "the terminals discharge\n" in status.replace(" \n", "\n")
    assert " s left" not in status


@pytest.mark.parametrize("told", [[going("the terminals discharge", 0.2)] * 8, [going("dwell", 1.0)]])
def test_what_was_waited_for_before_does_not_stand_under_a_question(
    told: list[Told], monkeypatch: pytest.MonkeyPatch
) -> None:
    later = time.monotonic() + 5
    monkeypatch.setattr("bringup.terminal.live.time.monotonic", lambda: later)
    person = Person(wake=lambda: None)
    person.ask(Prompt(PromptKind.GO, "VIN to 24 V?"))

    status = live_status(BEGUN, *told, person=person)

    assert "discharge" not in status
    assert "dwell" not in status


# negative rails


@pytest.mark.parametrize(
    ("volts", "picture", "words"),
    [
        (-12.2, " [--#-------+----------] ", "|x| +1.67 %"),
        (-12.0, " [----------#----------] ", "|x| +0.00 %"),
        (-11.9, " [----------+---#------] ", "|x| -0.83 %"),
        (-11.0, " [----------+----------]>", "|x| -8.33 %"),
        (-13.0, "<[----------+----------] ", "|x| +8.33 %"),
    ],
)
def test_a_negative_rail_stands_on_the_number_line_and_its_deviation_is_named_that_of_its_magnitude(
    volts: float, picture: str, words: str
) -> None:
    limits = parse_limits("-12 V ± 2 %")

    assert place(volts, limits, ASCII) == picture
    assert deviation(volts, limits) == words
    assert words in reading_line(replace(GOOD, value=volts, limits=limits)).text


def test_a_name_too_long_for_a_narrow_line_stands_above_and_the_columns_stay() -> None:
    long = replace(GOOD, point="VIN", aspect="short check at 1 V, first of two", result=Result.FAIL)

    line = reading_line(long, narrow=True)

    above, below = line.text.split("\n")
    usual = reading_line(replace(GOOD, result=Result.FAIL), narrow=True).text
    assert above == "  VIN short check at 1 V, first of two"
    assert below[:26].strip() == ""
    assert below[26:] == usual[26:]


def test_limits_with_one_end_are_spelt_as_they_were_written() -> None:
    assert bounds(replace(GOOD, limits=parse_limits("> 100 ohm"))) == "> 100 ohm"
    assert bounds(replace(GOOD, limits=parse_limits(">= 4.5 V"))) == ">= 4.5 V"
    assert bounds(replace(GOOD, limits=Limits("A", high=Decimal("0.00542")))) == "<= 5.42 mA"


def test_a_narrow_reading_keeps_its_columns_and_says_the_rest_below() -> None:
    rising = replace(GOOD, note="still rising when it was taken")

    plain, noted = (reading_line(each, narrow=True).text for each in (GOOD, rising))

    assert noted == f"{plain}\n      still rising when it was taken"
    assert len(plain) <= 80


def test_the_all_clear_is_as_large_as_the_alarm() -> None:
    scene = Scene(width=80)
    scene.take(BEGUN)
    alarm = scene.take(UNKNOWN)

    reached = "the supply is reached again after 3 s and 2 more tries"
    clear = scene.take(Told("power", "every output OFF, verified by asking", data={"on": "no", "why": reached}))

    assert len(clear) >= len(large("OUTPUTS OFF")) + 5
    assert {line.tone for line in clear} == {Tone.GOOD}
    assert {len(line.text) for line in clear} == {len(alarm[0].text)}
    text = "\n".join(line.text for line in clear)
    assert "REACHED AGAIN: OUTPUTS OFF" in text
    assert "every output OFF, verified by asking" in text
    assert reached in text
    assert scene.power is False
    assert scene.unknown == ()


def test_each_reason_of_the_alarm_has_a_row_of_its_own() -> None:
    why = "the supply did not answer in time: when asked whether output 1 is off; the supply does not say"

    rows = [line.text.strip("! ") for line in Scene(width=80).take(replace(UNKNOWN, data={"why": why}))]

    assert "the supply does not say" in rows


def test_what_was_corrected_is_no_failure_at_the_end() -> None:
    wrong = Told("reading", reading=replace(GOOD, result=Result.FAIL, value=2.7))
    right = Told("reading", reading=replace(GOOD, id="new", replaces=GOOD.id))

    assert "what failed" not in shown(wrong, right, ended())
    assert "what failed" in shown(wrong, ended())


@pytest.mark.parametrize("by_itself", [True, False])
def test_a_caution_that_was_acknowledged_stands_there_once(by_itself: bool) -> None:
    answered = Told("prompt-answered", "HOT: U3", data={"kind": "caution", "answer": "", "by_itself": by_itself})
    text = shown(answered, Told("event", "HOT: U3", data={"kind": "caution"}), Told("event", "Next"))

    assert text.count("HOT: U3") == 1


def test_the_count_at_the_end_says_which_readings_were_corrected() -> None:
    first, second = Told("reading", reading=GOOD), Told("reading", reading=replace(GOOD, id="new", replaces=GOOD.id))

    assert "  1 reading kept, and 1 corrected; outputs OFF" in shown(first, second, ended())


def test_a_narrow_line_of_a_log_keeps_its_columns() -> None:
    spread = replace(
        GOOD, point="VIN", kind=Kind.CURRENT, aspect="standard deviation", value=0.0, unit="A", limits=None
    )

    lines = [reading_line(replace(spread, resolution=step), narrow=True).text for step in (None, 1e-4)]
    lines.append(reading_line(replace(spread, aspect="mean", value=0.0688, resolution=1e-4), narrow=True).text)

    assert lines[0].startswith("  VIN current std dev         0 A  ")
    assert {line.index("A  ") for line in lines} == {32}


# lines


@given(
    st.lists(st.text(st.characters(categories=["L", "N", "P"]), min_size=1, max_size=12), max_size=40),
    st.integers(24, 100),
)
def test_breaking_a_line_loses_no_word_and_fits(words: list[str], width: int) -> None:
    text = "  " + " ".join(words)

    lines = wrapped(text, width)

    assert " ".join(" ".join(lines).split()) == " ".join(text.split())
    assert max(map(len, lines)) <= width


def test_a_line_is_broken_at_words_and_never_between_a_number_and_its_unit() -> None:
    assert wrapped("  VIN draws more than was expected: 230 mA", 39) == [
        "  VIN draws more than was expected:",
        "    230 mA",
    ]
    assert wrapped("VIN draws 230 mA, and that for 12 s now", None) == ["VIN draws 230 mA, and that for 12 s now"]


# the foot of the screen, and plain mode


def test_the_foot_shows_the_keys_that_work_while_text_is_typed() -> None:
    person = Person(wake=lambda: None)
    person.ask(Prompt(PromptKind.VALUE, "3V3 at TP4?", unit="V"))

    status = live_status(BEGUN, person=person)

    assert "Enter takes it    Esc clears the line    Ctrl-C calls off" in status
    assert KEYS not in status


def test_an_output_found_on_is_asked_about_before_the_attempt_has_a_title() -> None:
    person = Person(wake=lambda: None)
    person.ask(Prompt(PromptKind.CHOICE, "output 1 is ON", choices=("switch it off", "leave it")))

    assert "? output 1 is ON" in live_status(person=person)


def test_a_question_longer_than_the_screen_stands_above_the_status_once() -> None:
    from rich.console import Console

    person = Person(wake=lambda: None)
    view = LiveView(Terminal(), person)
    stream = io.StringIO()
    view._console = Console(file=stream, width=80, height=24, _environ={})
    person.ask(Prompt(PromptKind.CHECKLIST, "Before power", lines=tuple(f"item number {n}" for n in range(1, 31))))

    view._put_up_long_question()
    view._put_up_long_question()
    view._console.print(view._status())

    assert stream.getvalue().count("item number 30") == 1
    assert "? Before power (above)" in stream.getvalue()
    assert "[a: all good (no Enter); or the numbers of the exceptions, then Enter]" in stream.getvalue()


def test_plain_mode_tells_a_person_once_which_keys_there_are() -> None:
    def keys_told(person: Person | None) -> int:
        stream = Terminal()
        view = PlainView(stream, person)
        view.start()
        for told in (BEGUN, Told("step-begun", "measure", step=0), ended()):
            view.tell(told)
        view.close()
        return stream.getvalue().count(KEYS)

    assert keys_told(Person(wake=lambda: None)) == 1
    assert keys_told(None) == 0


def test_plain_mode_keeps_what_is_being_typed_on_a_line_of_its_own() -> None:
    stream = Terminal()
    person = Person(wake=lambda: None)
    view = PlainView(stream, person)
    person.ask(Prompt(PromptKind.TEXT, "Note"))
    view._draw()
    for key in "hum":
        person.press(key)
    view._draw()

    view.tell(Told("event", "supply: something"))
    view._show_told()
    view._draw()

    assert stream.getvalue().endswith("hum\n  supply: something\nhum")


def test_a_terminal_that_cannot_write_a_letter_gets_another_instead_of_nothing() -> None:
    class Ascii(Terminal):
        encoding = "ascii"

    stream = Ascii()
    view = LiveView(stream)
    view.start()
    view.tell(Told("event", "10 kΩ"))
    view.close()

    assert "10 k?" in stream.getvalue()


def test_an_end_that_may_be_gone_on_with_names_the_command_whole_however_narrow_the_terminal() -> None:
    command = "bringup run procedures/first-power-on.yaml --serial MBL-0001 --bench corner.yaml --continue"

    def end(result: str) -> list[Line]:
        return list(Scene(width=40, to_go_on=command).take(ended(result)))

    assert end("called off")[-2:] == [
        Line("  The attempt ends here. To go on with it:"),
        Line(f"    {command}", Tone.TO_TYPE),
    ]
    assert end("broken off")[-1].text.strip() == command
    assert not any(command in line.text for line in end("failed"))
    reworked = Scene(width=40, to_go_on=command)
    reworked.take(Told("event", "R12: 105 kΩ -> 100 kΩ", data={"kind": "rework"}))
    assert not any(command in line.text for line in reworked.take(ended("called off"))), "it would be refused"


def test_a_command_to_be_copied_is_never_broken() -> None:
    view, stream = Narrow.view()
    command = "bringup run procedures/first-power-on.yaml --serial MBL-0001 --continue"

    view._put(Line(command, Tone.TO_TYPE))
    view._put(Line(command))

    assert stream.getvalue().splitlines()[0] == command
    assert len(stream.getvalue().splitlines()) > 2


class Narrow(PlainView):
    """A plain view of a terminal of 40 columns."""

    @classmethod
    def view(cls) -> tuple[PlainView, io.StringIO]:
        stream = Terminal()
        return cls(stream), stream

    def _width(self) -> int | None:
        return 40


def test_what_was_called_off_with_nothing_done_is_not_to_be_gone_on_with() -> None:
    command = "bringup run p.yaml --serial MBL-0001 --continue"
    nothing = Told("attempt-ended", "called off", data={"result": "called off", "off_verified": None})
    inspected = Told("step-ended", step=0, data={"outcome": "done", "result": "pass"})
    unfinished = Told("step-ended", step=0, data={"outcome": "done", "result": ""})

    def end(*before: Told) -> str:
        scene = Scene(to_go_on=command)
        for told in before:
            scene.take(told)
        return "\n".join(line.text for line in scene.take(nothing))

    assert command not in end(unfinished)
    assert "Nothing was done in it: run it again as before." in end()
    assert command in end(inspected)
    assert command in end(Told("event", "goes on from the attempt of noon", data={"kind": "going-on"}))


def test_a_key_and_its_word_stay_on_one_line() -> None:
    keys = " Enter takes it  r again  l leave out  n note  w rework  o Enter seen  q call off"

    assert wrapped(keys, 60) == [
        " Enter takes it  r again  l leave out  n note  w rework",
        "   o Enter seen  q call off",
    ]
