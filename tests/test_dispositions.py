"""Waivers, quarantine, scrap and release: who and why, shown by standing and history, changing no result."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.main import main
from bringup.core.words import AttemptResult, Result
from bringup.errors import ExitCode
from bringup.logbook.audit import audit
from bringup.logbook.past import unit_history
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.runner.records import UnitHistory
from tests.fakes import picked, simulated_bench
from tests.logbook_samples import NOON, add_attempt, ohms, start, volts

WHY = ("--why", "customer agreed by mail", "--by", "ada")
Run = Callable[..., Any]


def low(value: float = 3.2) -> Any:
    return replace(volts(value), result=Result.FAIL)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("filled") / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start(), [ohms(), low()], result=AttemptResult.FAILED, cause="3V3 is low")
        add_attempt(record, start(simulated=True), [ohms(), low(3.1)], result=AttemptResult.FAILED)
    return path


@pytest.fixture
def path(tmp_path: Path, filled: Path) -> Path:
    return Path(shutil.copy(filled, tmp_path / "bringup.db"))


@pytest.fixture
def run(path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: str, code: int = ExitCode.PASSED) -> Any:
        real = ("--real",) if "--simulated" not in arguments else ()
        assert main([*arguments, *real, "--logbook", str(path)]) == code
        captured = capsys.readouterr()
        return json.loads(captured.out) if "--json" in arguments else captured.out + captured.err

    return command


def again(path: Path, value: float) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        begin = start(at=NOON + timedelta(days=1))
        add_attempt(record, begin, [low(value)], result=AttemptResult.FAILED, cause="3V3 is low again")


def test_a_waived_failure_stays_one_and_says_by_whom_it_is_waived(run: Run, path: Path) -> None:
    (waiver,) = run("disposition", "MBL-0001", "waiver", "--rail", "3V3", *WHY, "--json")
    assert (waiver["kind"], waiver["rail"], waiver["who"], waiver["limits"]) == ("waiver", "3V3", "ada", None)
    (unit,) = run("standing", "--json")
    assert (unit["result"], unit["disposition"]) == ("failed", None)
    assert unit["failed_last"][0]["result"] == "fail"
    assert [each["id"] for each in unit["waived_last"]] == [waiver["id"]]
    words = "3V3 voltage 3.200 V, limits 3.3 V ± 2 %: fail; waived by ada: customer agreed by mail"
    for command in (("standing",), ("history", "MBL-0001")):
        assert words in " ".join(run(*command).split())
    assert run("attempts", "--json", "--brief")[0]["result"] == "failed"
    assert read(path, audit).sound


def test_a_waiver_is_of_that_reading_only_unless_limits_are_stated(run: Run, path: Path) -> None:
    run("disposition", "MBL-0001", "waiver", "--rail", "3V3", *WHY)
    again(path, 3.19)
    assert run("standing", "--json")[0]["waived_last"] == []


@pytest.mark.parametrize(("value", "waived"), [(3.19, True), (3.1, True), (3.05, False)])
def test_a_waiver_with_limits_covers_later_failures_within_them(
    run: Run, path: Path, value: float, waived: bool
) -> None:
    made = ("disposition", "MBL-0001", "waiver", "--rail", "3V3", "--limits", "3.1 V .. 3.4 V", *WHY)
    assert "MBL-0001: waiver of 3V3 voltage within 3.1 V .. 3.4 V, by ada: customer" in run(*made)
    again(path, value)
    assert bool(run("standing", "--json")[0]["waived_last"]) == waived


def test_the_last_decision_about_a_unit_counts_and_history_has_them_all(run: Run) -> None:
    for kind in ("quarantine", "scrap", "released"):
        assert run("disposition", "MBL-0001", kind, *WHY, "--json")["kind"] == kind
    (unit,) = run("standing", "--json")
    assert unit["disposition"]["kind"] == "released"
    assert "released by ada, " in run("standing")
    assert [each["kind"] for each in run("history", "MBL-0001", "--json")["dispositions"]] == [
        "quarantine",
        "scrap",
        "released",
    ]
    assert run("standing", "--simulated", "--json")[0]["disposition"] is None


def test_a_unit_that_is_held_is_known_to_be_so_until_it_is_released(run: Run, path: Path) -> None:
    run("disposition", "MBL-0001", "quarantine", *WHY)
    with LogbookRecord.open(path, simulated=False) as record:
        held = record.history("MBL-0001").held
        assert held.startswith("in quarantine since 2")
        assert held.endswith("by ada: customer agreed by mail")
        run("disposition", "MBL-0001", "released", *WHY)
        assert record.history("MBL-0001").held == ""
    with LogbookRecord.open(path, simulated=True) as record:
        assert record.history("MBL-0001").held == ""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("waiver", *WHY), "none was named"),
        (("waiver", "--rail", "5V0", *WHY), "has no reading of '5V0'"),
        (("waiver", "--reading", "zz", *WHY), "no reading of MBL-0001"),
        (("waiver", "--rail", "3V3", "--limits", "3.25 V .. 3.4 V", *WHY), "that is outside 3.25 V .. 3.4 V"),
        (("waiver", "--rail", "3V3", "--limits", "1 A .. 2 A", *WHY), "--limits '1 A .. 2 A'"),
        (("waiver", "--rail", "3V3", "--limits", "3,1", *WHY), "--limits '3,1'"),
        (("scrap", "--rail", "3V3", *WHY), "go with a waiver, not with scrap"),
        (("scrap",), "--why is missing"),
        (("scrap", "--why", "ok"), "is too short to tell anybody why"),
        (("burnt", *WHY), "burnt"),
    ],
)
def test_what_makes_no_sense_is_refused_with_words(run: Run, arguments: tuple[str, ...], words: str) -> None:
    said = run("disposition", "MBL-0001", *arguments, code=ExitCode.REFUSED)
    assert words in said
    assert run("history", "MBL-0001", "--json")["dispositions"] == []


def test_what_did_not_fail_is_not_waived(run: Run) -> None:
    (passed,) = run("readings", "--quantity", "resistance", "--json")
    said = run("disposition", "MBL-0001", "waiver", "--reading", passed["id"], *WHY, code=ExitCode.REFUSED)
    assert "did not fail: pass" in said


def test_a_unit_that_is_held_is_said_to_be_so_to_whoever_runs_it_all_the_same() -> None:
    bench = simulated_bench(picked("inspect"), history=UnitHistory(held="in quarantine since 2026-11-28: burnt"))

    bench.run()

    assert "MBL-0001 is in quarantine since 2026-11-28: burnt" in [text for _, text, _ in bench.record.events]


def test_a_unit_without_an_earlier_attempt_can_be_held(path: Path, run: Run) -> None:
    run("disposition", "MBL-0001", "scrap", *WHY)
    with closing(sqlite3.connect(path)) as connection:
        (only,) = connection.execute("SELECT id FROM attempts WHERE simulated = 0").fetchone()
        known = unit_history(connection, "MBL-0001", simulated=False, leave_out=only)

    assert not known.known
    assert known.held.startswith("scrapped since 2")
