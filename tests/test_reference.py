"""A unit or an attempt marked as reference: kept with who, when and why, compared with, shown beside each reading."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.main import main
from bringup.core.reference import Reference, difference
from bringup.core.unlike import Sisters, key_of
from bringup.core.words import AttemptResult, Kind
from bringup.errors import ExitCode
from bringup.files.procedure_file import load_procedure
from bringup.logbook.audit import audit
from bringup.logbook.opening import open_for_writing
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.sisters import sisters_of
from bringup.terminal.scene import Scene
from tests import fakes
from tests.logbook_samples import MEASURE, NOON, add_attempt, filled_logbook, start, volts

WHY = ("--why", "checked against the bench standard", "--by", "ada")
Run = Callable[..., Any]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    path = tmp_path_factory.mktemp("filled") / "bringup.db"
    return path, filled_logbook(path)


@pytest.fixture
def path(tmp_path: Path, filled: tuple[Path, dict[str, str]]) -> Path:
    return Path(shutil.copy(filled[0], tmp_path / "bringup.db"))


@pytest.fixture
def run(path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: str, code: int = ExitCode.PASSED) -> Any:
        assert main([*arguments, "--logbook", str(path)]) == code
        captured = capsys.readouterr()
        return json.loads(captured.out) if "--json" in arguments else " ".join((captured.out + captured.err).split())

    return command


def reference_of(path: Path, serial: str = "MBL-0002") -> Reference | None:
    logbook = open_for_writing(path)
    with closing(logbook.connection):
        return sisters_of(logbook, load_procedure(fakes.FIRST_POWER_ON), (serial, ""), simulated=False).reference


def test_a_mark_is_kept_with_who_when_and_why_until_it_is_withdrawn(run: Run, path: Path) -> None:
    assert run("reference") == "Nothing is marked as reference."
    said = "MBL-0001: marked as reference, by ada: checked against the bench standard"
    assert run("reference", "MBL-0001", "--real", *WHY) == said
    (listed,) = run("reference", "--json")
    assert (listed["serial"], listed["about"], listed["simulated"], listed["who"]) == ("MBL-0001", None, False, "ada")
    assert "marked as reference, 2" in run("history", "MBL-0001", "--real")
    day = listed["at"][:10]
    marked = f"reference: marked by ada, {day}: checked against the bench standard"
    assert run("standing", "--real").count(marked) == 1
    assert [each["references"] for each in run("standing", "--json") if each["references"]] == [[listed]]
    run("reference", "MBL-0001", "--real", "--withdraw", "--why", "dropped on the floor", "--by", "bo")
    assert "reference" not in run("standing")
    assert run("reference", "--json") == []
    kinds = [(each["kind"], each["who"]) for each in run("history", "MBL-0001", "--real", "--json")["references"]]
    assert kinds == [("marked", "ada"), ("withdrawn", "bo")]
    assert read(path, audit).sound


def test_an_altered_mark_is_found_by_the_audit(run: Run, path: Path) -> None:
    run("reference", "MBL-0001", "--real", *WHY)
    with closing(open_for_writing(path).connection) as connection:
        connection.execute("UPDATE reference_marks SET why = 'no reason at all'")
    (found,) = read(path, audit).findings
    assert (found.what, found.table) == ("altered", "reference_marks")


def test_the_attempt_that_counts_is_the_last_passed_one_or_the_one_marked(
    run: Run, path: Path, filled: tuple[Path, dict[str, str]]
) -> None:
    ids = filled[1]
    assert reference_of(path) is None
    run("reference", "MBL-0002", *WHY)
    found = reference_of(path, "MBL-0003")
    assert found is not None
    assert (found.name, found.attempt) == ("MBL-0002", ids["0002 second"])
    assert found.values[MEASURE, "3V3", "voltage", ""] == 3.31
    run("reference", ids["0001"][:12], *WHY)
    later = reference_of(path, "MBL-0003")
    assert later is not None
    assert (later.name, later.attempt) == (f"attempt {ids['0001'][:8]} of MBL-0001", ids["0001"])
    run("reference", ids["0001"], "--withdraw", "--why", "another meter was used")
    assert reference_of(path, "MBL-0003") == found, "the one before counts again"


def test_a_unit_that_is_held_since_is_no_reference_until_it_is_released(run: Run, path: Path) -> None:
    run("reference", "MBL-0002", *WHY)
    assert reference_of(path, "MBL-0003") is not None
    run("disposition", "MBL-0002", "quarantine", "--why", "it was dropped on the floor", "--by", "ada")
    assert reference_of(path, "MBL-0003") is None
    run("disposition", "MBL-0002", "released", "--why", "checked again, all in order", "--by", "ada")
    assert reference_of(path, "MBL-0003") is not None


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("MBL-0003", *WHY), "MBL-0003 has no attempt that passed"),
        (("MBL-0001", "--simulated", *WHY), "MBL-0001 has no attempt that passed"),
        (("MBL-0009", *WHY), "no unit 'MBL-0009' is in this logbook"),
        (("MBL-000?", *WHY), "is a pattern"),
        (("MBL-0002",), "--why is missing"),
        (("MBL-0002", "--why", "ok"), "too short"),
        (("MBL-0001", *WHY), "Say which one: --real or --simulated."),
        (("MBL-0002", "--withdraw", *WHY), "MBL-0002 is not marked as reference"),
        (("--withdraw",), "no unit and no attempt was named"),
    ],
)
def test_what_makes_no_sense_is_refused_with_words(run: Run, arguments: tuple[str, ...], words: str) -> None:
    assert words in run("reference", *arguments, code=ExitCode.REFUSED)
    assert run("reference", "--json") == []


def test_an_attempt_that_failed_is_no_reference(run: Run, filled: tuple[Path, dict[str, str]]) -> None:
    said = run("reference", filled[1]["0002 first"], *WHY, code=ExitCode.REFUSED)
    assert "of MBL-0002 did not pass: failed" in said


def test_compare_takes_it_as_either_side(run: Run) -> None:
    assert "is marked as reference" in run("compare", "MBL-0002", "reference", code=ExitCode.REFUSED)
    run("reference", "MBL-0001", "--real", *WHY)
    other = run("compare", "MBL-0002", "reference", "--json")
    assert (other["a"]["name"], other["b"]["name"]) == ("reference MBL-0001", "MBL-0002")
    volts_apart = {each["rail"]: each["difference"] for each in other["differences"] if each["quantity"] == "voltage"}
    assert volts_apart == {"3V3": pytest.approx(3.31 - 3.306)}
    assert run("compare", "reference", "MBL-0002", "--json") == other, "a unit is told by how much it differs from it"
    assert "compare what with the reference?" in run("compare", "reference", "rest", code=ExitCode.REFUSED)


def test_a_difference_is_signed_along_the_number_line_with_the_digits_of_the_instrument() -> None:
    assert difference(3.3012, 3.3, "V", 0.0001) == "+1.2 mV (+0.04 %)"
    assert difference(-12.03, -12.0, "V", 0.01) == "-0.03 V (-0.25 %)"
    assert difference(3.3, 3.3, "V", 0.001) == "+0.000 V (+0.00 %)"
    assert difference(0.0123456, 0.0, "A", None) == "+12.3 mA"


def test_reference_and_sisters_stand_beside_a_reading() -> None:
    key = key_of(volts())
    known = Sisters({key: (3.3,) * 5}, Reference("MBL-0001", "marked by ada", "a1", {key: 3.304}))

    assert known.beside(volts(3.306)) == (
        "+2 mV (+0.06 %) from reference MBL-0001; +6 mV (+0.18 %) from median of 5 sisters"
    )
    assert replace(known, values={key: (3.3,) * 4}).beside(volts(3.306)) == "+2 mV (+0.06 %) from reference MBL-0001"
    assert known.beside(volts(None)) == ""
    peak = replace(volts(), kind=Kind.CURRENT, aspect="maximum")
    assert Sisters({key_of(peak): (3.3,) * 5}).beside(peak) == ""
    assert known.beside(replace(volts(), aspect="after power off")) == ""
    assert Sisters().beside(volts()) == ""


def test_of_another_procedure_the_same_points_in_the_same_board_state_are_compared(run: Run, path: Path) -> None:
    recheck = replace(load_procedure(fakes.FIRST_POWER_ON), name="Re-check")
    steps = (recheck.steps[0], *recheck.steps)
    longer = replace(recheck, steps=tuple(replace(step, index=index) for index, step in enumerate(steps)))
    with LogbookRecord.open(path, simulated=False) as record:
        later = NOON + timedelta(days=9)
        for value, procedure in ((3.31, "First power-on"), (3.32, "Re-check")):
            begin = replace(start("MBL-0020", at=later), procedure=procedure)
            add_attempt(record, begin, [replace(volts(value), board_state="programmed")])
    run("reference", "MBL-0020", *WHY)
    logbook = open_for_writing(path)
    with closing(logbook.connection):
        same = sisters_of(logbook, recheck, ("MBL-0001", ""), simulated=False)
        other = sisters_of(logbook, replace(longer, name="Short check"), ("MBL-0001", ""), simulated=False)

    assert same.reference is not None
    assert (same.reference.procedure, set(same.reference.values.values())) == ("", {3.32})
    assert other.reference is not None
    assert "as it was read in 'Re-check': the same points in the same board state only" in other.reference.words
    assert other.reference.words.endswith("No point in common: it was read 'programmed', here the board is 'blank'")
    with_firmware = replace(longer, name="Short check", board_state="programmed")
    logbook = open_for_writing(path)
    with closing(logbook.connection):
        loaded = sisters_of(logbook, with_firmware, ("MBL-0001", ""), simulated=False)
    assert loaded.reference is not None
    assert "No point in common" not in loaded.reference.words
    read_now = replace(volts(3.325), step=MEASURE + 1, board_state="programmed")
    assert other.beside(read_now) == "+5 mV (+0.15 %) from reference MBL-0020 in 'Re-check'"
    assert other.beside(replace(read_now, board_state=None)) == ""
    assert other.beside(replace(read_now, point="1V8")) == ""
    assert other.beside(replace(read_now, step=MEASURE)) == "", "another kind of step"


def test_what_several_steps_of_another_procedure_read_is_not_compared(run: Run, path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        begin = replace(start("MBL-0021", at=NOON + timedelta(days=9)), procedure="Two inputs")
        steps = (begin.steps[0], ("measure", "At 18 V"), *begin.steps[2:])
        add_attempt(record, replace(begin, steps=steps), [replace(volts(3.30), step=1), volts(3.31)])
    run("reference", "MBL-0021", *WHY)
    found = reference_of(path)
    assert found is not None
    assert (found.procedure, dict(found.points)) == ("Two inputs", {})


def test_it_is_shown_live_below_each_reading_and_said_at_the_beginning() -> None:
    procedure = fakes.picked("apply", "measure", "power_off")
    bench = fakes.simulated_bench(procedure, history=fakes.SEEN)
    reference = Reference("MBL-0001", "marked by ada, 2026-11-28: golden", "a1", {(1, "3V3", "voltage", ""): 3.3})
    outcome = bench.run(sisters=Sisters({}, reference))

    assert outcome.result is AttemptResult.PASSED
    said = "readings are compared with the reference, MBL-0001 (marked by ada, 2026-11-28: golden)"
    assert [text for kind, text, _ in bench.record.events if kind == "reference"] == [said]
    scene = Scene(width=80)
    lines = [line.text.strip() for told in bench.told for line in scene.take(told)]
    (below,) = [place for place, line in enumerate(lines) if "from reference MBL-0001" in line]
    assert lines[below - 1].startswith("3V3 ")
    assert lines[below].split(" (")[0].endswith("V")
