"""Notes and reworks: what is kept, what a rework makes due again, and how a history tells it."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.main import main
from bringup.core.deviations import Rework
from bringup.core.limits import parse_limits
from bringup.core.reading import BEFORE_OHMS, SUPPLY_LEADS, Reading
from bringup.core.words import AttemptResult, Result
from bringup.errors import ExitCode
from bringup.files.procedure_file import load_procedure
from bringup.logbook.additions import opened
from bringup.logbook.audit import audit
from bringup.logbook.earlier import last_attempt
from bringup.logbook.filters import Filters
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.reworked import Done, Moment
from bringup.logbook.searching import search
from bringup.logbook.standings import standing as standing_of
from bringup.runner.earlier import differences
from bringup.runner.records import SourceText, UnitHistory
from tests.fakes import FIRST_POWER_ON, ROOT
from tests.logbook_samples import APPLY, LEADS, NOON, RESISTANCE, add_attempt, ohms, start, volts

BOARD = ROOT / "fixtures/boards/mooring-buoy-logger.yaml"
WHY = ("--why", "reads too high")
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook in which MBL-0001 passed once, with ohms of two rails and its leads."""
    path = tmp_path_factory.mktemp("filled") / "bringup.db"
    text = BOARD.read_text(encoding="utf-8")
    sources = (SourceText("board", str(BOARD), text),)
    leads = replace(volts(24.0), step=LEADS, point="VIN", limits=None, result=Result.PASS)
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, replace(start(), sources=sources), [ohms("3V3"), ohms("5V0"), leads, volts(3.27)])
    return path


@pytest.fixture
def path(tmp_path: Path, filled: Path) -> Path:
    return Path(shutil.copy(filled, tmp_path / "bringup.db"))


@pytest.fixture
def run(path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: str) -> tuple[int, str, str]:
        code = main([*arguments, "--logbook", str(path), *(("--by", "ada") if arguments[0] != "history" else ())])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return command


def known(path: Path) -> UnitHistory:
    with LogbookRecord.open(path, simulated=False) as record:
        return record.history("MBL-0001")


def told(run: Run, *arguments: str) -> Any:
    code, out, err = run(*arguments, "--json")
    assert code == ExitCode.PASSED, err
    return json.loads(out)


def test_a_rework_makes_the_rails_due_on_whose_nets_the_board_file_has_the_part(run: Run, path: Path) -> None:
    done = told(run, "rework", "MBL-0001", "--part", "U4", "--from", "old reel", "--to", "new reel", *WHY)
    assert (done["part"], done["from"], done["to"], done["who"]) == ("U4", "old reel", "new reel", "ada")
    assert done["rails"] == ["3V3", "5V0"]
    assert known(path).resistance_seen == frozenset()


def test_what_a_rework_did_not_touch_still_stands_but_first_power_and_leads_do_not(run: Run, path: Path) -> None:
    run("rework", "MBL-0001", "--part", "R12", "--to", "100 kΩ", *WHY)
    after = known(path)
    assert after.resistance_seen == frozenset({"3V3"})
    assert (after.known, after.first_power_passed, after.leads_seen) == (True, False, frozenset())
    assert after.reworked.startswith("R12: nothing -> 100 kΩ (20")
    assert "since its last trip or rework (R12" in after.since


def test_after_an_attended_first_power_since_all_is_as_before(run: Run, path: Path) -> None:
    run("rework", "MBL-0001", "--part", "R12", "--to", "100 kΩ", *WHY)
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, replace(start(), attended=False, started=NOON - timedelta(days=900)), [])
        assert not record.history("MBL-0001").first_power_passed
        add_attempt(record, start(at=NOON - timedelta(days=999)), [ohms("5V0")])  # a clock that was set back
    assert known(path).first_power_passed
    assert known(path).resistance_seen == frozenset({"3V3", "5V0"})


@pytest.mark.parametrize(("option", "seen"), [("--all-rails", set()), ("--no-rail", {"3V3", "5V0"})])
def test_all_rails_or_none_can_be_stated(run: Run, path: Path, option: str, seen: set[str]) -> None:
    run("rework", "MBL-0001", "--part", "a wire", "--to", "fitted", *WHY, option)
    assert known(path).resistance_seen == seen


def test_a_real_rework_says_nothing_of_the_simulated_unit(run: Run, path: Path) -> None:
    with LogbookRecord.open(path, simulated=True) as record:
        add_attempt(record, start(simulated=True), [ohms("5V0")])
    code, _, err = run("rework", "MBL-0001", "--part", "R12", "--to", "1 Ω", *WHY)
    assert (code, "both a real and a simulated unit" in err) == (ExitCode.REFUSED, True)
    run("rework", "MBL-0001", "--part", "R12", "--to", "1 Ω", *WHY, "--real")
    with LogbookRecord.open(path, simulated=True) as record:
        assert record.history("MBL-0001").first_power_passed


def test_an_attempt_from_before_a_rework_is_not_continued(run: Run, path: Path) -> None:
    procedure = load_procedure(FIRST_POWER_ON)
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start(), [ohms("5V0")], result=AttemptResult.CALLED_OFF, cause="by a key")

    def reasons() -> list[str]:
        with opened(path) as logbook:
            earlier = last_attempt(logbook, "MBL-0001", simulated=False)
        assert earlier is not None
        return list(differences(earlier, procedure, "", earlier.sources))

    assert not any("reworked" in each for each in reasons())
    change = ("--part", "R12", "--from", "105 kΩ", "--to", "100 kΩ", *WHY, "--all-rails")
    assert run("rework", "MBL-0001", *change)[0] == ExitCode.PASSED
    assert any(each.startswith("the unit was reworked since: R12: 105 kΩ -> 100 kΩ (") for each in reasons())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--part", "R99", "--to", "x", *WHY), "says of no rail that R99 is on it"),
        (("--part", "R12 R99", "--to", "x", *WHY), "says of no rail that R99 is on it"),
        (("--part", "R99", "--to", "x", *WHY, "--rail", "3V"), "the board has no rail '3V': did you mean '3V3'?"),
        (("--part", "R12", "--to", "x", *WHY, "--no-rail"), "the board file has R12 on 5V0"),
        (("--part", "R12", "--to", "x", *WHY, "--no-rail", "--rail", "3V3"), "--rail contradicts"),
        (("--part", "R12", *WHY), "is no change"),
        (("--part", "R12", "--from", "x", "--to", " x ", *WHY), "is no change"),
        (("--part", " ", "--to", "x", *WHY), "no part was named"),
        (("--to", "x", *WHY), "--part is missing"),
        (("--part", "R12", "--to", "x"), "--why is missing"),
        (("--part", "R12", "--to", "x", "--why", "4k7"), "reads as a value, not as a reason"),
    ],
)
def test_a_rework_that_says_too_little_is_refused_with_words(
    run: Run, path: Path, arguments: tuple[str, ...], words: str
) -> None:
    code, _, err = run("rework", "MBL-0001", *arguments)
    assert (code, known(path).reworked) == (ExitCode.REFUSED, "")
    assert words in err
    assert "Traceback" not in err


def test_a_unit_that_is_not_known_needs_its_board_file(run: Run, path: Path) -> None:
    code, _, err = run("note", "MBL-0002", "two pads lifted")
    assert code == ExitCode.REFUSED
    assert "no unit 'MBL-0002' is in this logbook" in err
    assert "--board FILE" in err
    code, _, err = run("note", "XYZ-1", "two pads lifted", "--board", str(BOARD))
    assert (code, "does not match" in err) == (ExitCode.REFUSED, True)
    assert told(run, "note", "MBL-0002", "two pads lifted", "--board", str(BOARD))["text"] == "two pads lifted"
    code, out, _ = run("history", "MBL-0002")
    assert code == ExitCode.PASSED
    assert out.splitlines()[:2] == ["MBL-0002  Mooring buoy logger, revision B", "It was not run yet."]
    assert "ada: two pads lifted" in out


def test_a_rework_is_refused_while_an_attempt_goes_on_and_a_note_is_not(run: Run, path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        code, _, err = run("rework", "MBL-0001", "--part", "R12", "--to", "x", *WHY)
        assert (code, "is going on" in err, "Press r" in err) == (ExitCode.REFUSED, True, True)
        assert run("note", "MBL-0001", "smells warm")[0] == ExitCode.PASSED
        record.end(AttemptResult.CALLED_OFF, "", at=NOON, off_verified=True)


def test_a_missing_logbook_is_not_made_by_a_note(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["note", "MBL-0001", "x", "--logbook", str(tmp_path / "none.db")])
    assert (code, "there is no logbook" in capsys.readouterr().err) == (ExitCode.REFUSED, True)
    assert not list(tmp_path.iterdir())


def test_a_history_tells_reworks_in_their_place_and_what_changed(run: Run, path: Path) -> None:
    run("rework", "MBL-0001", "--part", "U4", "--from", "old reel", "--to", "new reel", *WHY)
    run("note", "MBL-0001", "washed", "afterwards")
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start(at=datetime.now(UTC) + timedelta(minutes=1)), [ohms("3V3"), volts(3.31)])
    _, out, _ = run("history", "MBL-0001")
    lines = [line.strip() for line in out.splitlines()]
    assert [line.partition(",")[0] for line in lines if line.startswith(("rework", "note"))] == ["rework", "note"]
    assert lines.index(next(line for line in lines if line.startswith("rework"))) > 3
    assert "since the rework of U4:" in lines
    assert "3V3 voltage 3.270 V (pass) -> 3.310 V (pass) in Rails" in lines
    (change,) = told(run, "history", "MBL-0001")["changes"]
    assert {each["rail"] for each in change["changed"]} == {"3V3"}
    assert told(run, "history", "MBL-0001")["reworks"][0]["rails"] == ["3V3", "5V0"]


def test_what_is_of_the_bench_is_no_change_of_the_unit(run: Run, path: Path) -> None:
    def of_bench(leads: float, before: float) -> list[Reading]:
        return [
            replace(ohms("VIN"), value=leads, step=APPLY, aspect=SUPPLY_LEADS),
            replace(
                volts(before),
                step=RESISTANCE,
                limits=parse_limits("-50 mV .. 50 mV"),
                result=Result.PASS,
                aspect=BEFORE_OHMS,
            ),
            volts(3.3 + leads),
        ]

    sources = (SourceText("board", str(BOARD), BOARD.read_text(encoding="utf-8")),)
    for hours, leads, before in ((1, 0.01, 1e-5), (3, 0.03, 2e-5)):
        begin = replace(start(at=datetime.now(UTC) + timedelta(hours=hours)), sources=sources)
        with LogbookRecord.open(path, simulated=False) as record:
            add_attempt(record, begin, of_bench(leads, before))
        if hours == 1:
            assert run("rework", "MBL-0001", "--part", "U4", "--from", "old reel", "--to", "new reel", *WHY)[0] == 0
    (change,) = told(run, "history", "MBL-0001")["changes"]

    assert [(each["rail"], each["aspect"]) for each in change["changed"]] == [("3V3", "")]


def test_reworks_are_in_the_hash_chain(run: Run, path: Path) -> None:
    run("rework", "MBL-0001", "--part", "R12", "--to", "x", *WHY)
    assert read(path, audit).sound
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("UPDATE reworks SET became = 'y'")
    finding = read(path, audit).findings[0]
    assert (finding.what, finding.table) == ("altered", "reworks")


def test_within_an_attempt_its_own_clock_says_what_came_first() -> None:
    done = Done(Rework("R12", "", "x", "why", None), "2026-11-25T12:00:00.000000Z", 3, 50.0)

    def moment(seq: int, monotonic: float, *, late: bool = False, started: str = "2026-11-25T11") -> Moment:
        return Moment(seq, monotonic, started, late)

    assert done.comes_after(moment(3, 49.0))
    assert not done.comes_after(moment(3, 51.0))
    assert not done.comes_after(moment(4, 49.0))
    assert done.comes_after(moment(2, 99.0))
    assert done.comes_after(moment(4, 51.0, late=True)), "what came in late is older by the clock on the wall"
    assert not done.comes_after(moment(4, 51.0, late=True, started="2026-11-25T13"))


def test_standing_says_that_a_unit_was_changed_since_its_last_attempt(run: Run, path: Path) -> None:
    run("rework", "MBL-0001", "--part", "R12", "--to", "100 kΩ", *WHY)
    (unit,) = read(path, lambda connection: [one.as_json() for one in standing_of(connection, Filters())])
    assert (unit["result"], [each["part"] for each in unit["reworked_since"]]) == ("passed", ["R12"])
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start(), [ohms("5V0")])
    (unit,) = read(path, lambda connection: [one.as_json() for one in standing_of(connection, Filters())])
    assert unit["reworked_since"] == []


REWORK = ("rework", "MBL-0001", "--part", "R12", "--from", "105 kΩ", "--to", "100 kΩ", "--rail", "5V0", *WHY)


def test_a_withdrawn_rework_counts_no_more_and_is_told_struck_out(run: Run, path: Path) -> None:
    before, started = known(path), last_attempt_of(path)
    run(*REWORK)
    assert known(path).resistance_seen != before.resistance_seen
    identity = json.loads(run("withdraw", "MBL-0001", "--json")[1])[0]["id"]

    code, out, _ = run("withdraw", "MBL-0001", identity[:8], "--why", "it was R21 on another unit")

    assert code == ExitCode.PASSED
    assert "rework of MBL-0001 withdrawn, and kept struck out: R12: 105 kΩ -> 100 kΩ (reads too high)" in out
    assert known(path) == before
    assert last_attempt_of(path) == started
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        assert standing_of(connection, Filters())[0].reworks == ()
        assert audit(connection).sound
    told = run("history", "MBL-0001")[1]
    assert "[WITHDRAWN by ada, " in told
    assert "it was R21 on another unit] R12: 105 kΩ -> 100 kΩ (reads too high)" in told


def last_attempt_of(path: Path) -> object:
    with opened(path) as logbook:
        return last_attempt(logbook, "MBL-0001", simulated=False)


def test_notes_and_observations_are_withdrawn_by_the_beginning_of_their_id(run: Run, path: Path) -> None:
    run("note", "MBL-0001", "the heat sink is loose")
    run("observation", "MBL-0001", "R12 gets hot", "--for", "design", "--severity", "must")
    listed = json.loads(run("withdraw", "MBL-0001", "--json")[1])
    assert [(each["kind"], each["text"]) for each in listed] == [
        ("note", "the heat sink is loose"),
        ("observation", "R12 gets hot"),
    ]

    for each in listed:
        assert run("withdraw", "MBL-0001", each["id"][:8], "--why", "another unit")[0] == ExitCode.PASSED
    again = run("withdraw", "MBL-0001", listed[0]["id"][:8], "--why", "another unit")

    assert again[0] == ExitCode.REFUSED
    assert "it was withdrawn already, by ada" in again[2]
    told = run("history", "MBL-0001")[1]
    assert told.count("another unit] ") == 2
    shown = run("withdraw", "MBL-0001")[1]
    assert shown.count("[WITHDRAWN by ada") == 2
    assert "R12 gets hot" not in run("observation", "--design", "Mooring buoy logger")[1]
    found = read(path, lambda connection: search(connection, "hot"))
    assert [each.text for each in found.texts] == ["MBL-0001: withdrawn: R12 gets hot"]


@pytest.mark.parametrize(
    ("beginning", "why", "said"),
    [
        ("ffffffff-no", "another unit", "no rework, observation or note of MBL-0001 with an id that begins with"),
        ("", "another unit", "no rework, observation or note"),
    ],
)
def test_what_cannot_be_withdrawn_is_said(beginning: str, why: str, said: str, run: Run) -> None:
    run("note", "MBL-0001", "the heat sink is loose")
    code, _, err = run("withdraw", "MBL-0001", beginning, "--why", why)

    assert code == ExitCode.REFUSED
    assert said in err


def test_a_withdrawal_needs_a_reason(run: Run) -> None:
    run("note", "MBL-0001", "the heat sink is loose")
    (listed,) = json.loads(run("withdraw", "MBL-0001", "--json")[1])
    code, _, err = run("withdraw", "MBL-0001", listed["id"], "--why", "x")

    assert code == ExitCode.REFUSED
    assert "month later" in err


def test_a_rail_that_failed_behind_a_current_is_put_beside_what_measure_read_after_the_rework(
    run: Run, path: Path
) -> None:
    behind = replace(volts(0.801), aspect="with VIN at 18 V", step=APPLY)
    for hour, before in ((1, [ohms("3V3"), behind]), (3, [ohms("3V3"), volts(3.31)]), (5, [ohms("3V3"), volts(3.32)])):
        with LogbookRecord.open(path, simulated=False) as record:
            result = AttemptResult.FAILED if behind in before else AttemptResult.PASSED
            add_attempt(record, start(at=datetime.now(UTC) + timedelta(hours=hour)), before, result=result)
        if hour < 5:
            run("rework", "MBL-0001", "--part", f"U{hour}", "--to", "new", "--no-rail", *WHY)
    out = " ".join(run("history", "MBL-0001")[1].split())

    assert "3V3 voltage 801 mV with VIN at 18 V (fail) -> 3.310 V (pass) in Rails" in out
    assert out.count("with VIN at 18 V (fail) ->") == 1, "after the next rework it is an old story"
    changes = told(run, "history", "MBL-0001")["changes"]
    assert [one["aspect_before"] for each in changes for one in each["changed"]].count("with VIN at 18 V") == 1
