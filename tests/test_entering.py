"""Reworks and observations by a key during an attempt: kept as typed, with the supply watched on, and the gate told."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from bringup.core.deviations import Observation, Photo, Rework, Severity, Target
from bringup.core.procedure import Dwell, Step
from bringup.core.quantity import parse_quantity
from bringup.core.unpowered import Resistance
from bringup.core.words import AttemptResult
from bringup.logbook.additions import opened, write
from bringup.logbook.audit import audit
from bringup.logbook.deviation_queries import beside
from bringup.logbook.deviation_statements import Entered, observation_statements, photo_statement, rework_statement
from bringup.logbook.lines import Writer, head_lines, line_of, row_lines
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.unguarded import Unguarded
from bringup.runner.work import Work
from bringup.simulation.person import Scripted, SimulatedPerson
from tests.fakes import SEEN, SimulatedBench, picked, simulated_bench, with_steps
from tests.logbook_samples import NOON, add_attempt, ohms, start, volts

DWELL = Dwell(parse_quantity("5 s"))
APPLY = picked("apply").steps[0]
WHY = "it reads too high"


def typing(bench: SimulatedBench, key: str, lines: Sequence[str], *, at: float, delay: float = 0.0) -> SimulatedPerson:
    """Somebody who presses that key and types these lines, one after the other."""
    script = [Scripted(Answer(line), kind=PromptKind.TEXT, delay=delay) for line in lines]
    person = SimulatedPerson(attended=True, script=script, clock=bench.clock)
    person.press(key, at)
    return person


def before_power(*lines: str, then: tuple[Step, ...] = ()) -> tuple[SimulatedBench, SimulatedPerson]:
    bench = simulated_bench(with_steps(Step(0, DWELL), *then), history=SEEN)
    person = typing(bench, "w", lines, at=1.0)
    assert bench.run(ask=person).result is AttemptResult.PASSED
    return bench, person


def test_a_rework_by_a_key_makes_its_rails_due_before_power() -> None:
    bench, _ = before_power("R12", "105 kΩ", "100 kΩ", WHY, then=(APPLY,))

    assert bench.record.reworks == [Rework("R12", "105 kΩ", "100 kΩ", WHY, ("5V0",))]
    (override,) = [text for kind, text, _ in bench.record.events if kind == "override"]
    assert "a good resistance of 5V0 (`resistance`)" in override


def test_without_a_rework_the_same_unit_goes_on_without_a_question() -> None:
    bench, _ = before_power("", then=(APPLY,))

    assert bench.record.reworks == []
    (override,) = [text for kind, text, _ in bench.record.events if kind == "override"]
    assert "resistance" not in override, "the leads alone are of each attempt"


def test_a_part_that_the_board_file_does_not_name_touches_what_is_typed() -> None:
    bench, person = before_power("a wire", "", "fitted", WHY, "5V, 3V3", "5v0, 3V3")

    assert bench.record.reworks[0].rails == ("5V0", "3V3")
    assert any("the board has no rail 5v" in " ".join(prompt.lines) for prompt, _ in person.asked)


@pytest.mark.parametrize(("typed", "rails"), [("", None), ("all", None), ("none", ())])
def test_all_rails_or_none_can_be_typed(typed: str, rails: tuple[str, ...] | None) -> None:
    assert before_power("a wire", "", "fitted", WHY, typed)[0].record.reworks[0].rails == rails


@pytest.mark.parametrize("lines", [("R12", "x", "x"), ("R12", "", ""), ("R12", "x", "y", "4k7", "")])
def test_what_is_no_rework_is_not_kept_and_said_to_be_not(lines: tuple[str, ...]) -> None:
    bench, _ = before_power(*lines)

    assert bench.record.reworks == []
    assert any("the rework was NOT kept" in told.text for told in bench.told)


def test_an_observation_is_kept_with_the_reading_behind_it() -> None:
    bench = simulated_bench(with_steps(Step(0, Resistance(("3V3",))), Step(1, DWELL)), history=SEEN)
    lines = ("L2 hums", "mu", "d", "y")
    person = SimulatedPerson(
        attended=True, script=[Scripted(Answer(line), kind=PromptKind.TEXT) for line in lines], clock=bench.clock
    )
    original = bench.record.step_begun

    def begun(index: int, at: object, monotonic: float) -> None:
        original(index, at, monotonic)  # type: ignore[arg-type]
        if index == 1:
            person.press("o", monotonic + 0.5)

    bench.record.step_begun = begun  # type: ignore[method-assign]

    bench.run(ask=person)

    (seen,) = bench.record.observations
    assert (seen.text, seen.severity, seen.target) == ("L2 hums", Severity.MUST, Target.DESIGN)
    assert seen.readings[0] in {reading.id for reading in bench.record.readings}


def test_the_supply_is_watched_while_somebody_types_and_a_rework_with_an_output_on_is_warned_of() -> None:
    bench = simulated_bench(with_steps(APPLY, Step(1, DWELL)), history=SEEN)
    person = typing(bench, "w", ("R12", "105 kΩ", "100 kΩ", WHY), at=4.0, delay=2.0)

    bench.run(ask=person)

    assert any(told.text.startswith("an output is on: call off (q)") for told in bench.told)
    assert len(bench.record.reworks) == 1
    looks = [sample.monotonic for batch in bench.record.batches for sample in batch if sample.monotonic > 4.0]
    assert looks[-1] > 11.0, "it went on for as long as was typed"
    assert max(later - earlier for earlier, later in pairwise(looks)) < 0.5


def test_the_logbook_has_what_was_entered_in_an_attempt_and_what_came_before_is_undone(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        attempt = record.begin(start())
        record.step_begun(1, NOON, 101.0)
        record.reading(replace(ohms("5V0"), monotonic=102.0))
        record.reading(replace(ohms("3V3"), monotonic=102.5))
        record.rework(Rework("R12", "", "x", WHY, ("5V0", "3V3")), at=NOON, monotonic=103.0, step=1)
        record.reading(replace(ohms("3V3"), monotonic=104.0))
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)
        assert record.history("MBL-0001").resistance_seen == frozenset({"3V3"})
        add_attempt(record, start(), [volts()])
        assert record.history("MBL-0001").first_power_passed
    (done,) = read(path, lambda connection: beside(connection, "MBL-0001", simulated=False)).reworks
    assert (done.origin.attempt, done.follows, done.origin.who, done.origin.step) == (attempt, attempt, "ada", 2)
    assert read(path, audit).sound


def test_what_a_rescue_file_has_of_it_is_taken_in_once(tmp_path: Path) -> None:
    entered = Entered("MBL-0001", simulated=False, at=NOON, who="ada")
    with opened(tmp_path / "bringup.db", new=True) as logbook:
        connection = logbook.connection
        with LogbookRecord(logbook, simulated=False) as record:
            attempt = record.begin(start())
            record.reading(volts())
            (reading,) = connection.execute("SELECT id FROM readings").fetchone()
            within = replace(entered, attempt=attempt, step=1)
            made = [
                rework_statement(within, Rework("R12", "", "x", WHY, None), follows=attempt, monotonic=1.0),
                *observation_statements(within, Observation("x", Severity.MUST, Target.UNIT, (reading,)), "b", "r"),
                photo_statement(within, Photo("top.jpg"), "0" * 64),
            ]
            lines = [json.loads(json.dumps(line_of(statement))) for statement in made]
            writer = Writer(connection)
            for line in lines:
                writer.check(line)
            for _ in range(2):
                write(logbook, [each for line in lines if (each := writer.statement_of(line)) is not None])
            counts = [
                connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608 - words of ours
                for table in ("reworks", "observations", "observation_readings", "photos")
            ]
            assert counts == [1, 1, 1, 1]
            assert connection.execute("SELECT picture FROM photos").fetchone() == (None,), "the picture is elsewhere"
            again = [*head_lines(connection, attempt), *row_lines(connection, attempt)]
            assert {"reworks", "observations", "observation_readings", "photos"} <= {
                line["insert"] for line in again if "insert" in line
            }


def test_a_rework_entered_between_the_gate_and_power_is_asked_about_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def changed_meanwhile(work: Work, _name: str) -> None:
        work.evidence.doubt_resistance("5V0")
        work.evidence.overridden.clear()

    monkeypatch.setattr("bringup.runner.actions.apply.volts_before_power", changed_meanwhile)
    bench = simulated_bench(with_steps(APPLY), history=SEEN)

    bench.run()

    overrides = [text for kind, text, _ in bench.record.events if kind == "override"]
    assert ["5V0" in text for text in overrides] == [False, True]


def test_a_rework_entered_instead_of_the_go_wants_a_reason_and_a_go_of_its_own() -> None:
    bench = simulated_bench(picked("resistance", "leads", "apply", "power_off"))
    lines = [Scripted(Answer(text), PromptKind.TEXT, delay=0.1) for text in ("R12", "105 kΩ", "100 kΩ", WHY)]
    slow = Scripted(Answer("go"), PromptKind.GO, "VIN, short check", math.inf)
    person = SimulatedPerson(attended=True, clock=bench.clock, script=[slow, *lines])
    asked: list[str] = []
    ask = person.ask

    def pressing(prompt: Prompt) -> Pending[Answer]:
        if prompt.text.startswith("VIN, short check"):
            asked.append(prompt.text)
            if len(asked) == 1:
                person.press("w", at=bench.clock.monotonic() + 1.0)
        return ask(prompt)

    person.ask = pressing  # type: ignore[method-assign]

    outcome = bench.run(ask=person)

    assert outcome.result is AttemptResult.PASSED, outcome.cause
    (override,) = [text for kind, text, _ in bench.record.events if kind == "override"]
    assert "a good resistance of 5V0" in override
    assert len(asked) == 3, "put, put again after the rework, and asked for anew once a reason was given"
    kinds = [kind for kind, _, _ in bench.record.events]
    assert kinds.index("override") < len(kinds) - kinds[::-1].index("go") - 1


def put_before_power(bench: SimulatedBench, person: SimulatedPerson) -> list[str]:
    """What is asked from the short check's go on until the output is on."""
    ask, put = person.ask, list[str]()

    def asking(prompt: Prompt) -> Pending[Answer]:
        if (put or prompt.text.startswith("VIN, short check")) and not bench.on():
            put.append(prompt.text)
        return ask(prompt)

    person.ask = asking  # type: ignore[method-assign]
    return put


@pytest.mark.parametrize("key", ["w", "n"])
def test_a_go_that_another_question_followed_is_asked_for_anew(key: str) -> None:
    bench = simulated_bench(with_steps(APPLY), history=SEEN)
    person = SimulatedPerson(attended=True, clock=bench.clock)
    put, ask = put_before_power(bench, person), person.ask

    def pressing(prompt: Prompt) -> Pending[Answer]:
        if prompt.text.startswith("VIN, short check") and not put:
            person._keys.append(key)
        return ask(prompt)

    person.ask = pressing  # type: ignore[method-assign]

    outcome = bench.run(ask=person)

    assert outcome.result is AttemptResult.PASSED
    assert [text.split(",")[0].split(" (")[0] for text in put] == [
        "VIN",
        {"w": "Part that was reworked", "n": "Note"}[key],
        "VIN",
    ]


@pytest.mark.parametrize("key", ["w", "n"])
def test_a_key_pressed_after_the_go_asks_nothing_until_the_output_is_on(key: str) -> None:
    bench = simulated_bench(with_steps(APPLY), history=SEEN)
    person = SimulatedPerson(attended=True, clock=bench.clock)
    put, guard = put_before_power(bench, person), Unguarded()
    on = guard.on

    def pressing() -> Pending[None]:
        person._keys.append(key)
        return on()

    guard.on = pressing  # type: ignore[method-assign]

    bench.run(ask=person, guard=guard)

    assert len(put) == 1, put
    assert any(told.text.startswith(f"{key}: not before") for told in bench.told)
