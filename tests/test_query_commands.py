"""standing, history, attempts, readings: their text, their JSON, their exit codes."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from bringup.commands.asking import parse_time
from bringup.commands.main import main
from bringup.commands.tables import fitting_table, format_table, time_column
from bringup.core.limits import Limits, parse_limits
from bringup.core.words import AttemptResult, Result, StepOutcome
from bringup.core.yields import wilson
from bringup.errors import CommandError, ExitCode
from bringup.logbook.record import LogbookRecord
from bringup.logbook.server_address import AnyLogbook
from tests.logbook_samples import LEADS, MEASURE, NOON, add_attempt, filled_logbook, start, volts
from tests.story_sample import write_story

Run = Callable[..., tuple[int, str, str]]
Filled = tuple[AnyLogbook, dict[str, str]]

READING_FIELDS = {
    *("serial", "attempt", "procedure", "step", "rail", "quantity", "value", "unit", "nominal", "low", "high"),
    *("result", "at", "instrument", "simulated"),
}
ATTEMPT_FIELDS = {
    *("id", "serial", "procedure", "board", "revision", "started", "ended", "result", "cause", "simulated", "readings"),
}


@pytest.fixture(autouse=True)
def in_this_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A zone half an hour off, so that local time cannot be mistaken for UTC."""
    monkeypatch.setenv("TZ", "IST-05:30")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    path = tmp_path_factory.mktemp("filled") / "bringup.db"
    return path, filled_logbook(path)


@pytest.fixture(scope="module")
def filled(file: tuple[Path, dict[str, str]], engine: Callable[[Path], AnyLogbook]) -> Filled:
    return engine(file[0]), file[1]


@pytest.fixture
def run(filled: Filled, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: str, logbook: AnyLogbook = filled[0]) -> tuple[int, str, str]:
        code = main([*arguments, "--logbook", str(logbook)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return command


def test_readings_are_a_table_in_local_time_with_the_digits_of_the_instrument(run: Run) -> None:
    code, out, _ = run("readings", "--serial", "MBL-0001", "--real")
    assert code == ExitCode.PASSED
    assert out.splitlines() == [
        "serial    at (IST)             rail  quantity      value  limits       result",
        "MBL-0001  2026-11-25 17:30:01  3V3   resistance  1.47 kΩ  > 200 Ω      pass",
        "MBL-0001  2026-11-25 17:30:04  3V3   voltage     3.306 V  3.3 V ± 2 %  pass",
    ]


@pytest.mark.parametrize("command", ["readings", "attempts"])
def test_a_serial_number_alone_is_what_is_asked_for(run: Run, command: str) -> None:
    assert run(command, "MBL-0001", "--json")[1] == run(command, "--serial", "MBL-0001", "--json")[1]

    code, _, err = run(command, "MBL-0001", "--serial", "MBL-0002")
    assert (code, "two serial numbers: MBL-0001 and --serial MBL-0002" in err) == (2, True)


def test_no_line_is_wider_than_a_hundred_columns(run: Run) -> None:
    for command in (("readings", "--replaced"), ("attempts",), ("standing",), ("history", "MBL-0003")):
        code, out, _ = run(*command)
        assert code == ExitCode.PASSED
        assert max(len(line) for line in out.splitlines()) <= 100


def test_simulated_and_typed_readings_say_so_in_words(run: Run) -> None:
    _, out, _ = run("readings", "--result", "fail", "--replaced")
    marked = [line.split("fail")[1].strip() for line in out.splitlines()[1:]]
    assert marked == ["", "typed, corrected", "SIMULATED"]


def test_a_reading_in_json_has_every_field_in_base_units_and_utc(run: Run, filled: Filled) -> None:
    code, out, _ = run("readings", "--serial", "MBL-0002", "--result", "fail", "--json")
    (reading,) = json.loads(out)
    assert code == ExitCode.PASSED
    assert reading.keys() >= READING_FIELDS
    assert {field: reading[field] for field in READING_FIELDS} == {
        "serial": "MBL-0002",
        "attempt": filled[1]["0002 first"],
        "procedure": "First power-on",
        "step": MEASURE + 1,
        "rail": "3V3",
        "quantity": "voltage",
        "value": 2.91,
        "unit": "V",
        "nominal": 3.3,
        "low": 3.234,
        "high": 3.366,
        "result": "fail",
        "at": "2026-11-25T13:00:04.000000Z",
        "instrument": "meter",
        "simulated": False,
    }


def test_an_attempt_in_json_has_every_field_and_its_readings(run: Run, filled: Filled) -> None:
    code, out, _ = run("attempts", "--attempt", filled[1]["simulated"][:8], "--json")
    (attempt,) = json.loads(out)
    assert code == ExitCode.PASSED
    assert attempt.keys() >= ATTEMPT_FIELDS
    assert (attempt["id"], attempt["simulated"], attempt["result"]) == (filled[1]["simulated"], True, "failed")
    assert (attempt["started"], attempt["ended"]) == ("2026-11-28T12:00:00.000000Z", "2026-11-28T12:02:00.000000Z")
    assert [reading["value"] for reading in attempt["readings"]] == [1470.0, 3.9]
    assert all(reading.keys() >= READING_FIELDS for reading in attempt["readings"])


def test_attempts_tell_their_cause_under_the_row(run: Run, filled: Filled) -> None:
    code, out, _ = run("attempts", "--result", "failed", "--real")
    assert code == ExitCode.PASSED
    first, second = filled[1]["0002 first"][:8], filled[1]["0003"][:8]
    assert out.splitlines() == [
        "attempt   serial    started (IST)        procedure       result  readings  operator",
        f"{first}  MBL-0002  2026-11-25 18:30:00  First power-on  failed         2  ada",
        "    3V3 reads 2.910 V, below 3.234 V",
        f"{second}  MBL-0003  2026-11-27 17:30:00  First power-on  failed         1  ada",
        "    a trip at VIN",
    ]


def test_standing_shows_last_and_first_result_and_what_failed(run: Run) -> None:
    code, out, _ = run("standing")
    assert code == ExitCode.PASSED
    assert out.splitlines() == [
        "Mooring buoy logger: 4 units",
        "serial    revision  lot  result  since (IST)          attempts  at first",
        "MBL-0001  B         L1   passed  2026-11-25 17:32:00         1  passed",
        "MBL-0001  B         L1   failed  2026-11-28 17:32:00         1  failed    SIMULATED",
        "    3V3 voltage 3.900 V, limits 3.3 V ± 2 %: fail",
        "MBL-0002  B         L1   passed  2026-11-26 17:32:00         2  failed",
        "MBL-0003  B         L1   failed  2026-11-27 17:32:00         1  failed",
        "    a trip at VIN",
        "Lot L1, First power-on: first-attempt yield 1 of 3 (33 %; 95 %: 6 % to 79 %),",
        "    passed by now 2 of 3",
        "Lot L1, First power-on, SIMULATED: first-attempt yield 0 of 1 (0 %; 95 %: 0 % to 79 %),",
        "    passed by now 0 of 1",
    ]


def test_standing_is_filtered_by_the_last_attempt_sorted_and_limited(run: Run) -> None:
    _, out, _ = run("standing", "--real", "--sort", "-attempts", "--limit", "2", "--as", "csv")
    assert [line.split(",")[0] for line in out.splitlines()] == ["serial", "MBL-0002", "MBL-0001"]
    _, out, _ = run("standing", "--result", "failed", "--since", "2026-11-27", "--json")
    assert [(unit["serial"], unit["simulated"]) for unit in json.loads(out)] == [
        ("MBL-0001", True),
        ("MBL-0003", False),
    ]
    (unit,) = json.loads(run("standing", "--serial", "MBL-0003", "--json")[1])
    (of_lot,) = unit["lot_yield"]
    low, high = wilson(1, 3)
    assert of_lot == {
        "procedure": "First power-on",
        "passed_first": 1,
        "judged": 3,
        "passed_by_now": 2,
        "undecided": 0,
        "low": pytest.approx(low),
        "high": pytest.approx(high),
    }
    code, _, err = run("standing", "--sort", "colour")
    assert code == ExitCode.REFUSED
    assert "cannot sort by 'colour'\n  Sort by one of: serial, board" in err


@pytest.fixture(scope="module")
def versions(tmp_path_factory: pytest.TempPathFactory, engine: Callable[[Path], AnyLogbook]) -> AnyLogbook:
    path = tmp_path_factory.mktemp("versions") / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        for number, word, version in ((1, "version", "1.4.2"), (2, "firmware", "2.0_a"), (3, "line", "1.4.9")):
            begin = start(f"MBL-000{number}", at=NOON + timedelta(hours=number))
            record.begin(begin)
            record.step_begun(MEASURE, begin.started, 101.0)
            record.event(
                "heard", "found", at=begin.started, monotonic=102.0, step=MEASURE, data={word: version, "n": "7"}
            )
            record.reading(volts(3.3, at=begin.started))
            record.step_ended(MEASURE, StepOutcome.DONE, "pass", at=begin.started)
            record.end(AttemptResult.PASSED, "", at=begin.started, off_verified=True)
    return engine(path)


@pytest.mark.parametrize(("asked", "serials"), [("1.4.2", [1]), ("1.4*", [1]), ("?.*", [1, 2]), ("2.0_a", [2])])
def test_firmware_is_what_the_board_named(run: Run, versions: AnyLogbook, asked: str, serials: list[int]) -> None:
    for command in ("attempts", "readings", "standing"):
        _, out, _ = run(command, "--firmware", asked, "--json", logbook=versions)
        assert [row["serial"] for row in json.loads(out)] == [f"MBL-000{number}" for number in serials]


def test_a_firmware_that_no_board_named_is_a_mistake(run: Run, versions: AnyLogbook) -> None:
    code, _, err = run("attempts", "--firmware", "1.4.9", logbook=versions)

    assert code == ExitCode.REFUSED
    assert "no firmware '1.4.9' is in this logbook\n  Nearest: 1.4.2." in err


def test_standing_in_json_keeps_real_and_simulated_apart(run: Run) -> None:
    _, out, _ = run("standing", "--json", "--serial", "MBL-0001")
    units = json.loads(out)
    assert [(unit["serial"], unit["simulated"], unit["result"], unit["attempts"]) for unit in units] == [
        ("MBL-0001", False, "passed", 1),
        ("MBL-0001", True, "failed", 1),
    ]
    assert [reading["value"] for reading in units[1]["failed_last"]] == [3.9]


def test_a_history_tells_trips_and_corrections(run: Run, filled: Filled) -> None:
    code, out, _ = run("history", "MBL-0003")
    assert code == ExitCode.PASSED
    assert out.splitlines() == [
        "MBL-0003  Mooring buoy logger, revision B, lot L1",
        "",
        "2026-11-27 17:30:00 IST  First power-on: failed",
        f"    attempt {filled[1]['0003'][:8]}, 1 reading and 1 corrected, by ada at Corner bench",
        "    cause: a trip at VIN",
        "    corrected: 3V3 voltage 33.06 V -> 3.306 V (point slipped)",
        "    trip: VIN 0.8 A, above 0.22 A",
    ]


def test_a_history_tells_the_story_and_not_what_is_so_in_every_attempt(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    told = {
        "inspected": "not as it should be: 2. no bridges (bridge at U3)",
        "accepted": "3V3 has 7 MΩ where about 850 Ω is expected: it is right all the same",
        "override": "VIN is to be powered without: a good resistance of 3V3. Reason: measured by hand",
        "live": "12V0 carries 4.9 V with every output off",
    }
    routine = {
        "go": "VIN, short check at 1 V",
        "range": "VREF is over range",
        "unread": "no read-back",
        "power": "VIN ON",
    }
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        record.event("inspected", "all good: polarity; no bridges", at=NOON, monotonic=1.0)
        for kind, text in {**routine, **told}.items():
            record.event(kind, text, at=NOON, monotonic=2.0)
        record.end(AttemptResult.FAILED, "", at=NOON, off_verified=True)

    _, out, _ = run("history", "MBL-0001", logbook=path)

    told["not without volts"] = told.pop("live")
    for kind in ("accepted", "override"):
        told[f"{kind}, 2026-11-25 17:30:00 IST, by ada"] = told.pop(kind)
    said = " ".join(" ".join(out.splitlines()[4:]).split())
    assert [text for text in (f"{kind}: {text}" for kind, text in told.items()) if text not in said] == []
    assert len(said) == sum(len(f"{kind}: {text} ") for kind, text in told.items()) - 1


def test_a_history_says_once_what_cause_and_event_both_say(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    found = "output 1 was found on and switched off"
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        record.event("trip", "VIN 0.8 A, above 0.22 A", at=NOON, monotonic=1.0)
        record.event("found-on", found, at=NOON, monotonic=2.0)
        record.end(AttemptResult.FAILED, "step 3 (apply): VIN 0.8 A, above 0.22 A", at=NOON, off_verified=True)

    _, out, _ = run("history", "MBL-0001", logbook=path)

    assert out.splitlines()[4:] == ["    cause: step 3 (apply): VIN 0.8 A, above 0.22 A", f"    found on: {found}"]


def test_computed_limits_are_text_of_a_sensible_length_in_json_too(run: Run, tmp_path: Path) -> None:
    path, computed = (
        tmp_path / "bringup.db",
        Limits("V", Decimal("1.757045248"), Decimal("1.842484848"), Decimal("1.8")),
    )
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        record.reading(replace(volts(1.8), limits=computed))
        record.reading(replace(volts(3.3), limits=parse_limits("3.3 V +/- 66 mV")))
        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)

    _, out, _ = run("readings", "--json", logbook=path)

    first, second = json.loads(out)
    assert (first["limits"], first["low"], first["high"]) == ("1.757 V .. 1.8425 V", 1.757045248, 1.842484848)
    assert second["limits"] == "3.3 V +/- 66 mV"


def test_a_history_marks_what_was_simulated(run: Run) -> None:
    _, out, _ = run("history", "MBL-0001", "--simulated")
    assert "SIMULATED: none of this happened to a real unit." in out
    assert "failed  SIMULATED" in out
    _, real, _ = run("history", "MBL-0001", "--real")
    assert "SIMULATED" not in real


def test_a_history_tells_what_was_left_out_what_never_settled_and_what_is_unknown(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    wild = replace(volts(2.9), result=Result.FAIL, unsettled=True, lowest=2.7, highest=3.1)
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(replace(start(), attended=False))
        record.step_ended(LEADS, StepOutcome.LEFT_OUT, "", at=NOON, why="same leads as before", who="ada")
        record.reading(wild)
        record.reading(volts(None))
        record.note("TP4 is hard to reach", at=NOON, step=MEASURE)
        record.end(AttemptResult.BROKEN_OFF, "the supply is silent", at=NOON, off_verified=False)
    code, out, _ = run("history", "MBL-0001", logbook=path)
    assert code == ExitCode.PASSED
    assert out.splitlines()[4:] == [
        "    cause: the supply is silent",
        "    It is not known whether the outputs went off.",
        "    step 3 leads: left out by ada: same leads as before",
        "    3V3 voltage 2.900 V, limits 3.3 V ± 2 %, unsettled 2.700 V .. 3.100 V: fail",
        "    3V3 voltage no value, limits 3.3 V ± 2 %",
        "    note, 2026-11-25 17:30:00 IST, ada: TP4 is hard to reach",
    ]
    assert "by ada at Corner bench, unattended" in out
    _, told, _ = run("history", "MBL-0001", "--json", logbook=path)
    story = json.loads(told)
    assert story["attempts"][0]["steps"][LEADS]["why"] == "same leads as before"
    assert story["notes"][0]["text"] == "TP4 is hard to reach"


def test_an_attempt_that_nobody_closed_is_not_ended(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start())
        _, out, _ = run("attempts", logbook=path)
        assert "not ended" in out
        _, out, _ = run("attempts", "--json", logbook=path)
        assert (json.loads(out)[0]["result"], json.loads(out)[0]["ended"]) == (None, None)
        assert run("standing", logbook=path)[0] == ExitCode.PASSED


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("history", "MBL-0009"), "no unit 'MBL-0009' is in this logbook\n  Nearest: MBL-000"),
        (("readings", "--serial", "MBL-0022"), "no unit 'MBL-0022' is in this logbook\n  Nearest: MBL-0002"),
        (("readings", "--rail", "3V4"), "no rail '3V4' is in this logbook\n  Nearest: 3V3."),
        (("attempts", "--attempt", "zz"), "no attempt 'zz' is in this logbook"),
        (("attempts", "--procedure", "First power"), "Nearest: First power-on."),
        (("standing", "--lot", "L2"), "no lot 'L2' is in this logbook\n  Nearest: L1."),
        (("readings", "--since", "yesterday"), "'yesterday' is not a time\n  Write a date, 2026-11-25"),
        (("readings", "--sort", "price"), "cannot sort by 'price'"),
        (("readings", "--result", "good"), "Invalid value for '--result'"),
        (("readings", "--limit", "0"), "Invalid value for '--limit'"),
    ],
)
def test_what_is_nowhere_exits_with_two_and_names_the_nearest(run: Run, arguments: tuple[str, ...], words: str) -> None:
    code, out, err = run(*arguments)
    assert code == ExitCode.REFUSED
    assert out == ""
    assert words in err


@pytest.mark.parametrize("command", [("standing",), ("history", "MBL-0001"), ("attempts",), ("readings",)])
def test_a_missing_logbook_exits_with_two_and_is_not_made(run: Run, tmp_path: Path, command: tuple[str, ...]) -> None:
    code, _, err = run(*command, logbook=tmp_path / "other.db")
    assert code == ExitCode.REFUSED
    assert f"there is no logbook {tmp_path / 'other.db'}" in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["standing", "attempts", "readings"])
def test_an_empty_logbook_says_so_and_is_no_mistake(run: Run, tmp_path: Path, command: str) -> None:
    path = tmp_path / "bringup.db"
    LogbookRecord.open(path, simulated=False).close()
    assert run(command, logbook=path) == (ExitCode.PASSED, f"The logbook {path} holds no attempts yet.\n", "")
    code, out, _ = run(command, "--json", logbook=path)
    assert (code, json.loads(out)) == (ExitCode.PASSED, [])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("readings", "--serial", "MBL-0003", "--quantity", "current"), "No readings match.\n"),
        (("attempts", "--since", "2027-01-01"), "No attempts match.\n"),
        (("standing", "--simulated", "--serial", "MBL-0002"), "No units match.\n"),
    ],
)
def test_known_names_without_a_common_row_are_an_empty_answer(run: Run, arguments: tuple[str, ...], words: str) -> None:
    assert run(*arguments) == (ExitCode.PASSED, words, "")


def test_a_date_means_its_whole_local_day(run: Run) -> None:
    _, out, _ = run("attempts", "--since", "2026-11-26", "--until", "2026-11-26", "--json")
    assert [attempt["started"] for attempt in json.loads(out)] == ["2026-11-26T12:00:00.000000Z"]
    since, until = parse_time("2026-11-26"), parse_time("2026-11-26", end_of_day=True)
    assert since is not None
    assert until is not None
    assert until - since == timedelta(days=1, microseconds=-1)
    assert since.utcoffset() == timedelta(hours=5, minutes=30)
    with pytest.raises(CommandError, match="'1 h ago' is not a time"):
        parse_time("1 h ago")


def test_times_on_both_sides_of_a_clock_change_say_their_zones() -> None:
    assert time_column("at", [NOON])[0] == "at (IST)"
    os.environ["TZ"] = "CET-1CEST,M3.5.0,M10.5.0/3"
    time.tzset()
    summer = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
    assert time_column("at", [NOON, summer]) == ("at", ["2026-11-25 13:00:00 CET", "2026-07-01 14:00:00 CEST"])


def test_the_logbook_can_be_named_by_the_environment(
    filled: Filled, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("BRINGUP_LOGBOOK", str(filled[0]))
    assert main(["readings", "--first", "--serial", "MBL-0002", "--rail", "3V3", "--json"]) == ExitCode.PASSED
    assert [reading["value"] for reading in json.loads(capsys.readouterr().out)] == [1470.0, 2.91]


def test_a_table_leaves_out_what_nothing_stands_in_and_cuts_nothing() -> None:
    assert format_table(("a", "empty", "number"), [("x" * 90, "", "1"), ("y", "", "100")], right=("number",)) == [
        "a" + " " * 91 + "number",
        "x" * 90 + "       1",
        "y" + " " * 94 + "100",
    ]


def test_listing_imports_no_heavy_library(file: tuple[Path, dict[str, str]]) -> None:
    program = (
        "import sys; from bringup.commands.main import main;"
        f" main(['standing', '--logbook', {str(file[0])!r}]);"
        " print(sorted({'pyvisa', 'sqlite_utils', 'numpy', 'rich', 'ruamel', 'psycopg'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_full_history_keeps_notes_between_attempts_in_time(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start())
        add_attempt(record, start(at=NOON + timedelta(days=1)))
        record._connection.execute(
            "INSERT INTO notes (id, serial, simulated, at, who, content)"
            " VALUES ('n', 'MBL-0001', 0, '2026-11-25T18:00:00.000000Z', 'ada', 'dropped on the floor')"
        )
    _, out, _ = run("history", "MBL-0001", logbook=path)
    told = [line for line in out.splitlines() if "First power-on" in line or "note" in line]
    assert told == [
        "2026-11-25 17:30:00 IST  First power-on: passed",
        "note, 2026-11-25 23:30:00 IST, ada: dropped on the floor",
        "2026-11-26 17:30:00 IST  First power-on: passed",
    ]


def test_columns_that_do_not_fit_stand_under_the_others_and_no_word_is_broken() -> None:
    rows = [("MBL-0001", "passed", "SIMULATED"), ("MBL-0002", "broken off", "")]
    lines = format_table(("serial", "result", "kind"), rows, width=26)

    assert lines == ["serial    result\n    kind", "MBL-0001  passed\n    SIMULATED", "MBL-0002  broken off"]
    assert format_table(("serial", "result", "kind"), rows, width=80) == format_table(
        ("serial", "result", "kind"), rows
    )


@pytest.mark.parametrize("command", [("standing",), ("attempts",), ("history", "MBL-0001")])
def test_in_80_columns_nothing_is_cut(run: Run, monkeypatch: pytest.MonkeyPatch, command: tuple[str, ...]) -> None:
    _, whole, _ = run(*command)
    monkeypatch.setenv("COLUMNS", "80")
    _, out, _ = run(*command)

    assert all(len(line) <= 80 for line in out.splitlines())
    assert [word for word in whole.split() if word not in out] == []


ROWS = [("MBL-0001", "5V0", "5.01 V", "typed", "B"), ("MBL-0001", "3V3", "3.30 V", "", "B")]
"""Rows of a table that needs 41 columns."""
TABLE = ("serial", "rail", "value", "remarks", "revision")


def test_where_a_table_fits_it_is_as_it_is() -> None:
    plain = format_table(TABLE, ROWS)

    assert max(map(len, plain)) == 41
    for width in (41, None):
        assert fitting_table(TABLE, ROWS, width=width, least=("value",), under="remarks") == plain


def test_what_is_the_same_in_all_rows_stands_above_where_the_table_is_too_wide() -> None:
    assert fitting_table(TABLE, ROWS, width=40, least=("value",), under="remarks") == [
        "In all rows: serial MBL-0001, revision B",
        "rail  value   remarks",
        "5V0   5.01 V  typed",
        "3V3   3.30 V",
    ]


def test_then_remarks_go_under_their_rows_and_columns_are_left_out_and_named() -> None:
    lines = fitting_table(TABLE, ROWS, width=13, below=([], ["more"]), least=("value",), under="remarks")
    assert lines[1:] == ["rail  value", "5V0   5.01 V", "    typed", "3V3   3.30 V", "    more"]

    said = fitting_table(TABLE, ROWS, width=11, least=("value",), under="remarks")
    assert said[1:5] == ["rail", "5V0", "    typed", "3V3"]
    assert "Left out for want of room: value (all is in --json" in " ".join(" ".join(said).split())


def test_the_last_columns_of_a_single_row_go_under_it() -> None:
    assert fitting_table(TABLE, ROWS[:1], width=30, below=[["more"]], least=("value",)) == [
        *("serial    rail  value", "MBL-0001  5V0   5.01 V", "    remarks typed, revision B", "    more")
    ]


def test_a_brief_list_of_attempts_counts_their_readings(run: Run) -> None:
    _, whole, _ = run("attempts", "--json")
    code, brief, _ = run("attempts", "--json", "--brief")

    assert code == ExitCode.PASSED
    assert json.loads(brief) == [each | {"readings": len(each["readings"])} for each in json.loads(whole)]


def test_readings_of_one_kind_of_step_leave_those_of_others_out(run: Run) -> None:
    _, measured, _ = run("readings", "--step", "measure", "--json")
    _, every, _ = run("readings", "--json")

    kinds = [each["step_kind"] for each in json.loads(every)]
    assert "measure" in kinds
    assert set(kinds) != {"measure"}
    assert len(json.loads(measured)) == kinds.count("measure")
    code, _, err = run("readings", "--step", "mesure")
    assert code == ExitCode.REFUSED
    assert "no kind of step 'mesure' is in this logbook" in err
    assert "Nearest: measure" in err


def test_a_history_is_rows_too_and_a_part_of_it_can_be_asked_for(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    write_story(path)
    _, out, _ = run("history", "MBL-0001", "--as", "json-lines", logbook=path)
    rows = [json.loads(line) for line in out.splitlines()]

    assert [row["kind"] for row in rows] == [
        *("attempt", "failed reading", "attempt", "failed reading", "failed reading"),
        *("note", "observation", "photo", "rework", "changed"),
    ]
    assert rows[0]["text"] == "First power-on: failed; 3V3 is low"
    assert re.match(r"since the rework of R12: \S+ \w+ .* -> ", rows[-1]["text"])
    assert rows[0]["at"] == "2026-11-25T12:00:00.000000Z"
    later = json.loads(run("history", "MBL-0001", "--since", "2026-11-25T18:00", "--json", logbook=path)[1])
    assert [attempt["cause"] for attempt in later["attempts"]] == ["3V3 reads low"]
    assert len(later["notes"]) == 1
    before = json.loads(run("history", "MBL-0001", "--until", "2026-11-25T18:00", "--json", logbook=path)[1])
    assert ([attempt["cause"] for attempt in before["attempts"]], before["notes"]) == (["3V3 is low"], [])
    _, out, _ = run("history", "MBL-0001", "--procedure", "First power-on", "--as", "csv", logbook=path)
    assert out.splitlines()[0] == "serial,simulated,at,kind,attempt,who,text,rescue_files"
    code, _, err = run("history", "MBL-0001", "--procedure", "Frist power-on", logbook=path)
    assert code == ExitCode.REFUSED
    assert "Nearest: First power-on." in err
