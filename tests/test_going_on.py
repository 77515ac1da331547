"""Going on with an attempt that was called off or broken off: what stays, what is done again, what is refused."""

from __future__ import annotations

import math
import signal
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.going_on import command_to_go_on, hint, to_go_on_with
from bringup.commands.main import main
from bringup.commands.run import Wanted
from bringup.core.procedure import Measure, OnlyIf, Procedure, Question, Step
from bringup.core.reading import AT_LEADS
from bringup.core.words import AttemptResult, Kind, StepOutcome
from bringup.errors import CommandError, LogbookError
from bringup.logbook.earlier import last_attempt
from bringup.logbook.filters import Filters
from bringup.logbook.migrations import bring_up_to_date
from bringup.logbook.opening import open_for_writing
from bringup.logbook.queries import attempt as logged_attempt
from bringup.logbook.queries import attempts
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.rows import LoggedAttempt
from bringup.logbook.tables import MIGRATIONS
from bringup.runner.earlier import Earlier, differences
from bringup.runner.prompts import Answer, PromptKind
from bringup.runner.protocols import Told
from bringup.runner.records import Interruption, SourceText
from bringup.runner.setup import AttemptOutcome
from bringup.simulation.clock import START
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SimulatedBench, picked, simulated_bench, with_steps
from tests.rig import SERIAL, UP, Rig, interrupt, rig, wait_for

LOOK, OHMS, LEADS, ON = picked("inspect", "resistance", "leads", "apply").steps
VOLTS = Step(0, Measure(("3V3",)))
WHOLE = with_steps(LOOK, OHMS, LEADS, ON, VOLTS)
SOURCES = (SourceText("procedure", "a.yaml", "steps:\n- one\n"), SourceText("bench", "b.yaml", "bench: B\n"))
CHANGED = Scripted(Answer("something was changed"), PromptKind.CHOICE, "soldered")


class Story:
    """One unit's attempts, one after the other, in a real logbook."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.benches: list[SimulatedBench] = []

    @property
    def bench(self) -> SimulatedBench:
        """The bench of the last attempt."""
        return self.benches[-1]

    def run(
        self,
        procedure: Procedure = WHOLE,
        *script: Scripted,
        going_on: bool | Earlier = False,
        stop: Callable[[SimulatedBench, Told], None] | None = None,
        **changes: Any,
    ) -> AttemptOutcome:
        """Run an attempt; `stop` is called with everything told and may interrupt it."""
        bench = simulated_bench(procedure)
        bench.ask = SimulatedPerson(attended=True, clock=bench.clock, script=script)
        self.benches.append(bench)

        def tell(told: Told) -> None:
            bench.told.append(told)
            if stop is not None:
                stop(bench, told)

        logbook = open_for_writing(self.path)
        with LogbookRecord(logbook, simulated=True) as record:
            last = last_attempt(logbook, "MBL-0001", simulated=True)
            earlier = going_on if isinstance(going_on, Earlier) else last if going_on else None
            setup = {"record": record, "tell": tell, "sources": SOURCES, "going_on": earlier, **changes}
            return bench.run(**setup)

    def earlier(self) -> Earlier:
        logbook = open_for_writing(self.path)
        with closing(logbook.connection):
            found = last_attempt(logbook, "MBL-0001", simulated=True)
        assert found is not None
        return found

    def logged(self, outcome: AttemptOutcome) -> LoggedAttempt:
        return read(self.path, lambda connection: logged_attempt(connection, outcome.id))

    def carried(self, outcome: AttemptOutcome) -> dict[int, str]:
        return {step.step: step.carried_from for step in self.logged(outcome).steps if step.carried_from}

    def asked(self) -> list[str]:
        assert isinstance(self.bench.ask, SimulatedPerson)
        return [prompt.text for prompt, _ in self.bench.ask.asked]


@pytest.fixture
def story(tmp_path: Path) -> Story:
    return Story(tmp_path / "bringup.db")


def in_step(number: int, interruption: Interruption = Interruption.CTRL_C) -> Callable[[SimulatedBench, Told], None]:
    """Interrupt as soon as that step (counted from 1) begins."""

    def stop(bench: SimulatedBench, told: Told) -> None:
        if told.kind == "step-begun" and told.step == number - 1:
            bench.clock.interrupt(interruption, bench.clock.monotonic())

    return stop


def test_what_needs_no_power_stays_and_all_that_needs_power_is_done_again(story: Story) -> None:
    first = story.run(stop=in_step(5))
    assert first.result is AttemptResult.CALLED_OFF

    second = story.run(going_on=True)

    assert second.result is AttemptResult.PASSED
    assert second.off_verified is True
    assert story.carried(second) == dict.fromkeys((1, 2), first.id)
    assert {reading.step for reading in second.readings} == {2, 3, 4}
    assert not [text for text in story.bench.meter_link.sent if "RES" in text.upper()]
    assert not [text for text in story.asked() if "powered without" in text or "Before power" in text]
    assert "step 1 carried over" in " ".join(told.text for told in story.bench.told if told.kind == "step-ended")


def test_the_two_attempts_are_linked_both_ways_and_readings_are_not_copied(story: Story) -> None:
    first = story.run(stop=in_step(5))
    second = story.run(going_on=True)

    before, after = story.logged(first), story.logged(second)

    assert (before.continues, before.continued_by) == (None, second.id)
    assert (after.continues, after.continued_by) == (first.id, None)
    assert {reading.attempt for reading in after.readings} == {second.id}
    (event,) = [event for event in after.events if event.kind == "going-on"]
    assert event.text.startswith(f"goes on from attempt {first.id[:8]}")
    assert "carried over: step 1 (Before power), step 2" in event.text
    assert [step.outcome for step in after.steps] == [StepOutcome.DONE] * 5
    assert after.as_json()["continues"] == first.id
    assert after.as_story()["steps"][0]["carried_from"] == first.id


def test_a_chain_names_the_attempt_in_which_a_step_was_really_done(story: Story) -> None:
    first = story.run(stop=in_step(2))
    second = story.run(going_on=True, stop=in_step(3))

    third = story.run(going_on=True)

    assert third.result is AttemptResult.PASSED
    assert story.carried(third) == {1: first.id, 2: second.id}
    assert story.logged(third).continues == second.id


def test_after_what_may_have_been_a_trip_only_inspection_stays(story: Story) -> None:
    def switch_off_behind_us(bench: SimulatedBench, told: Told) -> None:
        if told.kind == "step-begun" and told.step == 4:
            bench.world.switch(1, False, bench.clock.monotonic())

    first = story.run(stop=switch_off_behind_us)
    assert (first.result, "found off" in first.cause) == (AttemptResult.BROKEN_OFF, True)

    second = story.run(going_on=True)

    assert story.carried(second) == {1: first.id}
    assert {reading.step for reading in second.readings} == {1, 2, 3, 4}
    (event,) = [event for event in story.logged(second).events if event.kind == "going-on"]
    assert "is done again: there was a trip, or what may have been one, in that attempt" in event.text


def test_a_board_that_was_changed_meanwhile_is_measured_again(story: Story) -> None:
    first = story.run(stop=in_step(5))

    second = story.run(WHOLE, CHANGED, going_on=True)

    assert story.carried(second) == {1: first.id}
    assert any("was anything on MBL-0001 soldered, fitted, removed or shorted?" in text for text in story.asked())


def test_an_output_found_on_meanwhile_leaves_only_inspection(story: Story) -> None:
    story.run(stop=in_step(5))
    bench = simulated_bench(WHOLE)
    bench.world.set_voltage(1, 5.0, 0.0)
    bench.world.switch(1, True, 0.0)
    earlier = story.earlier()

    bench.run(going_on=earlier, sources=SOURCES)

    assert list(bench.record.started[0].carried) == [0]
    assert "is done again: an output was found on" in next(
        text for kind, text, _ in bench.record.events if "going" in kind
    )


@pytest.mark.parametrize("bench", [SOURCES[1], SourceText("bench", "c.yaml", "bench: C\n")], ids=["same", "other"])
def test_leads_are_always_measured_again(story: Story, bench: SourceText) -> None:
    first = story.run(stop=in_step(5))

    second = story.run(going_on=True, sources=(SOURCES[0], bench))

    assert story.carried(second) == dict.fromkeys((1, 2), first.id)
    assert any(reading.aspect == AT_LEADS for reading in second.readings)
    (event,) = [event for event in story.logged(second).events if event.kind == "going-on"]
    assert (
        "step 3 (volts at the free leads of VIN) is done again: it needs power, "
        "and leads may have been plugged elsewhere" in event.text
    )


def test_where_nobody_can_say_whether_the_board_was_changed_nothing_unpowered_stays(story: Story) -> None:
    story.run(stop=in_step(5))
    bench = simulated_bench(replace(WHOLE, unattended_after_first_power=True), attended=False)
    real = replace(bench.supply.parts[0].info, simulated=False)

    class Real:
        info = real

        @property
        def parts(self) -> Any:
            return (self,)

        def __getattr__(self, name: str) -> Any:
            return getattr(bench.supply, name)

    known = replace(bench.record.known, first_power_passed=True)
    bench.record.known = known
    bench.run(going_on=story.earlier(), sources=SOURCES, supply=Real(), unattended=True)

    assert list(bench.record.started[0].carried) == [0]
    said = next(text for kind, text, _ in bench.record.events if kind == "going-on")
    assert "nobody is here to say whether the board was changed meanwhile" in said


def test_a_step_that_did_not_pass_is_done_again(story: Story) -> None:
    flawed = with_steps(replace(LOOK, end_on_fail=False), OHMS, LEADS, ON, VOLTS)
    no = Scripted(Answer("scratched", exceptions=(0,)), PromptKind.CHECKLIST)
    first = story.run(flawed, no, stop=in_step(4))

    second = story.run(flawed, going_on=True)

    assert story.carried(second) == dict.fromkeys((2,), first.id)
    assert second.result is AttemptResult.PASSED


def test_a_question_about_the_powered_board_is_asked_again(story: Story) -> None:
    lamp = Step(0, Question("Is the lamp lit?", choices=("yes", "no"), good=("yes",)))
    procedure = with_steps(LOOK, OHMS, LEADS, ON, lamp, VOLTS)
    first = story.run(procedure, stop=in_step(6))

    second = story.run(procedure, going_on=True)

    assert "Is the lamp lit?" in story.asked()
    assert story.carried(second) == dict.fromkeys((1, 2), first.id)


def test_a_condition_sees_the_result_of_a_carried_step(story: Story) -> None:
    procedure = with_steps(LOOK, OHMS, LEADS, ON, replace(VOLTS, only_if=OnlyIf(step=1, result="pass")))
    story.run(procedure, stop=in_step(4))

    second = story.run(procedure, going_on=True)

    assert [reading.point for reading in second.readings if reading.step == 4] == ["3V3"]


@pytest.mark.parametrize(("result", "value"), [("fail", 0.4), ("no value", None)])
def test_a_step_whose_reading_was_corrected_for_the_worse_is_done_again(
    story: Story, result: str, value: float | None
) -> None:
    first = story.run(stop=in_step(5))
    old = next(reading for reading in first.readings if reading.kind is Kind.RESISTANCE)
    with closing(sqlite3.connect(story.path)) as connection:
        columns = [row[1] for row in connection.execute("PRAGMA table_info(readings)") if row[1] != "seq"]
        given = {
            "id": "'corrected'",
            "replaces": "id",
            "result": f"'{result}'",
            "value": "NULL" if value is None else value,
        }
        connection.execute(
            f"INSERT INTO readings ({', '.join(columns)})"  # noqa: S608 - columns of our own table
            f" SELECT {', '.join(str(given.get(name, name)) for name in columns)} FROM readings WHERE id = ?",
            (old.id,),
        )
        connection.commit()

    second = story.run(going_on=True)

    assert story.carried(second) == dict.fromkeys((1,), first.id)
    assert {reading.step for reading in second.readings} == {1, 2, 3, 4}


def test_a_logbook_from_before_can_be_gone_on_with(story: Story) -> None:
    with closing(sqlite3.connect(story.path, isolation_level=None)) as connection:
        bring_up_to_date(connection, story.path, MIGRATIONS[:1])
        connection.execute("INSERT INTO units VALUES ('MBL-0001', 1, 'Mooring buoy logger', 'B', '', '')")
        connection.execute(
            "INSERT INTO attempts (id, serial, simulated, procedure, board, revision, variant, lot, bench, operator,"
            " attended, started, ended, result, cause, off_verified, tool_version, fixture, host, boot, process,"
            " process_started) SELECT 'ffff0000-old', serial, 1, 'First power-on', board, revision, '', '', '', '', 1,"
            " '2026-01-05T08:00:00.000000Z', '2026-01-05T08:00:09.000000Z', 'called off', 'by Ctrl-C', 1, '0',"
            " '', '', '', 1, '' FROM units"
        )
        connection.execute(
            "INSERT INTO steps (attempt, step, kind, title, outcome, result)"
            " VALUES ('ffff0000-old', 1, 'inspect', '', 'done', 'pass')"
        )

    second = story.run(going_on=True)

    assert second.result is AttemptResult.PASSED
    assert story.carried(second) == {1: "ffff0000-old"}
    assert story.logged(second).continues == "ffff0000-old"


def test_an_attempt_called_off_before_anything_was_done_hides_nothing(story: Story) -> None:
    first = story.run(stop=in_step(5))
    unanswered = Scripted(Answer(""), PromptKind.CHECKLIST, delay=math.inf)
    story.run(WHOLE, unanswered, stop=in_step(1))

    assert len(read(story.path, lambda connection: attempts(connection, Filters()))) == 2
    assert story.earlier().id == first.id


def test_an_attempt_is_continued_once(story: Story) -> None:
    story.run(stop=in_step(5))
    earlier = story.earlier()
    story.run(going_on=True)

    with pytest.raises(LogbookError, match=r"attempts\.continues"):
        story.run(going_on=earlier)


# what is refused


def refusal(earlier: Earlier | None, procedure: Procedure = WHOLE, variant: str = "", sources: Any = SOURCES) -> str:
    with pytest.raises(CommandError) as caught:
        to_go_on_with(earlier, "MBL-0001", procedure, variant, sources)
    assert caught.value.what_to_do == "Run it without --continue to begin anew. Nothing was powered."
    assert not hint(earlier, procedure, variant, sources)
    return caught.value.message


@pytest.fixture
def broken(story: Story) -> Earlier:
    story.run(stop=in_step(2))
    return story.earlier()


def test_the_same_procedure_may_go_on_and_the_hint_says_so(broken: Earlier) -> None:
    assert to_go_on_with(broken, "MBL-0001", WHOLE, "", SOURCES) is broken
    assert hint(broken, WHOLE, "", SOURCES).startswith(
        f"attempt {broken.id[:8]} of {START:%Y-%m-%d %H:%M} UTC (called off) could be continued: call this one off"
    )


def test_another_text_of_the_procedure_is_refused_with_its_line(broken: Earlier) -> None:
    now = (SourceText("procedure", "a.yaml", "steps:\n- two\n"), SOURCES[1])

    assert (
        "cannot be continued: the procedure file a.yaml is not what it was: line 2 was '- one', now '- two'"
        in refusal(broken, sources=now)
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [("steps:\n", "it had 2 lines, now 1"), ("steps:\r\n- one\r\n", "its line ends differ")],
)
def test_every_difference_of_a_text_is_named(broken: Earlier, text: str, words: str) -> None:
    assert words in refusal(broken, sources=(SourceText("procedure", "a.yaml", text),))


def test_the_same_text_under_another_name_is_the_same(broken: Earlier) -> None:
    moved = (replace(SOURCES[0], path="elsewhere/a.yaml"),)

    assert list(differences(broken, WHOLE, "", moved)) == []


def test_a_board_file_more_or_less_is_named(broken: Earlier) -> None:
    board = SourceText("board", "board.yaml", "board: X\n")

    assert "that attempt had no board file, now there is board.yaml" in refusal(broken, sources=(*SOURCES, board))
    with_board = replace(broken, sources=(*SOURCES, board))
    assert "the board file board.yaml is not used any more" in refusal(with_board)


def test_all_that_differs_is_said_at_once(broken: Earlier) -> None:
    other = replace(WHOLE, name="Second power-on", board=replace(WHOLE.board, revision="C"))

    said = refusal(broken, other, "long range")

    assert "the procedure was First power-on, now it is Second power-on" in said
    assert "the board's revision was B, now it is C" in said
    assert "the variant was (none given), now it is long range" in said


@pytest.mark.parametrize("result", [AttemptResult.PASSED, AttemptResult.FAILED, AttemptResult.INCOMPLETE, None])
def test_an_attempt_that_ended_or_still_goes_is_not_continued(broken: Earlier, result: AttemptResult | None) -> None:
    words = "it is still going" if result is None else f"it has come to its end: {result.value}"

    assert words in refusal(replace(broken, result=result))


def test_a_unit_without_an_attempt_has_nothing_to_continue() -> None:
    assert "MBL-0001 has no attempt in this logbook that could be continued" in refusal(None)


def test_another_process_that_died_with_the_board_powered_leaves_only_inspection(story: Story) -> None:
    story.run(stop=in_step(5))
    with closing(sqlite3.connect(story.path)) as connection:
        connection.execute(
            "INSERT INTO events (attempt, kind, content, at, monotonic)"
            " SELECT id, 'guardian', 'the tool was killed', started, 9.0 FROM attempts"
        )
        connection.commit()

    assert "the tool died after it had powered the board" in story.earlier().disturbed


@pytest.mark.parametrize("verified", [0, 1])
def test_outputs_not_verified_off_leave_only_inspection(story: Story, verified: int) -> None:
    story.run(stop=in_step(5))
    with closing(sqlite3.connect(story.path)) as connection:
        connection.execute("UPDATE attempts SET off_verified = ?", (verified,))
        connection.commit()

    assert story.earlier().disturbed == (
        "" if verified else "the outputs were not verified off at the end of that attempt"
    )


def test_real_and_simulated_units_of_one_number_have_each_their_own_last_attempt(story: Story) -> None:
    story.run(stop=in_step(2))
    logbook = open_for_writing(story.path)
    with closing(logbook.connection):
        assert last_attempt(logbook, "MBL-0001", simulated=False) is None


# the command


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Rig]:
    with rig(tmp_path) as made:
        yield made


STEPS = "  - inspect: [Nothing else is plugged in]\n  - resistance: [12V0, 3V3]\n" + UP + "  - dwell: 2 s\n"


def test_the_command_goes_on_and_the_lists_show_it(bench: Rig, capsys: pytest.CaptureFixture[str]) -> None:
    process = bench.start(STEPS)
    wait_for(process, "step 4")
    interrupt(process, signal.SIGINT)

    other = bench.run(STEPS + "  - note: longer\n", "--continue")
    again = bench.run(STEPS, "--continue")

    assert other.returncode == 2
    assert "cannot be continued: the procedure file" in other.stderr
    assert "it had 7 lines, now 8" in other.stderr
    assert again.returncode == 0, again.stdout + again.stderr
    assert "step 2 carried over from attempt" in again.stdout
    first, second = bench.asked("attempts")
    assert (first["continued_by"], second["continues"]) == (second["id"], first["id"])
    assert main(["attempts", "--logbook", str(bench.logbook)]) == 0
    listed = capsys.readouterr().out
    assert f"continued by attempt {second['id'][:8]}" in listed
    assert f"continues attempt {first['id'][:8]}" in listed
    assert main(["history", SERIAL, "--logbook", str(bench.logbook)]) == 0
    assert "going on: goes on from attempt" in capsys.readouterr().out


def test_without_continue_one_line_says_that_it_could_be(bench: Rig) -> None:
    words = "could be continued: call this one off with `q`, then run it with --continue"
    note = "  - note: the fixture is bent\n"
    first = bench.run(note)
    with closing(sqlite3.connect(bench.logbook)) as connection:
        connection.execute("UPDATE attempts SET result = 'broken off'")
        connection.commit()

    second, third = bench.run(note), bench.run(note)

    assert words not in first.stdout + third.stdout
    assert second.stdout.count(words) == 1


def test_the_command_that_goes_on_is_quoted_for_the_shell() -> None:
    wanted = Wanted(
        Path("my board/up.yaml"), "MBL-0001", Path("bench.yaml"), Path("bringup.db"), "ada", lot="first lot"
    )

    assert command_to_go_on(wanted) == (
        "bringup run 'my board/up.yaml' --serial MBL-0001 --bench bench.yaml --logbook bringup.db "
        "--lot 'first lot' --continue"
    )
