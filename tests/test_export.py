"""Files for other programs: whole or not at all, typed, and without text that a spreadsheet would reckon with."""

from __future__ import annotations

import csv
import errno
import json
import os
import sqlite3
from datetime import UTC, date, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from bringup.commands.main import main
from bringup.core.words import Kind
from bringup.errors import ExitCode
from bringup.logbook.filters import Filters
from bringup.logbook.queries import attempts, readings
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import add_attempt, filled_logbook, start, volts


@pytest.fixture(scope="module")
def logbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("export") / "bringup.db"
    filled_logbook(path)
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start("MBL-0007"), [volts(None)], cause="=HYPERLINK(1) & <b>")
    return path


def exported(logbook: Path, name: str, *more: str) -> Path:
    file = logbook.parent / name
    assert main(["export", str(file), "--logbook", str(logbook), "--force", *more]) == ExitCode.PASSED
    return file


def asked(logbook: Path, filters: Filters) -> list[dict[str, Any]]:
    return [each.as_json() for each in read(logbook, lambda connection: readings(connection, filters))]


def test_json_lines_hold_what_readings_tells_with_the_same_filters(logbook: Path) -> None:
    file = exported(logbook, "volts.jsonl", "--quantity", "voltage", "--real", "--sort", "value")

    told = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]

    assert told == asked(logbook, Filters(quantity=Kind.VOLTAGE, simulated=False, sort="value"))
    assert len(told) > 3


def test_csv_without_rows_has_the_heading_of_one_with_rows(logbook: Path) -> None:
    for more in ((), ("--attempts",)):
        whole = exported(logbook, "whole.csv", *more).read_text(encoding="utf-8")
        none = exported(logbook, "none.csv", *more, "--since", "2099-01-01").read_text(encoding="utf-8")
        assert none == whole.splitlines(keepends=True)[0]


def test_csv_has_no_formula(logbook: Path) -> None:
    file = exported(logbook, "attempts.csv", "--attempts", "--serial", "MBL-0007")

    with file.open(encoding="utf-8", newline="") as lines:
        (row,) = csv.DictReader(lines)

    assert row["cause"] == "'=HYPERLINK(1) & <b>"
    assert (row["serial"], row["readings"]) == ("MBL-0007", "1")


def test_junit_has_a_suite_an_attempt_and_a_failure_for_each_missed_limit(logbook: Path) -> None:
    root = ET.fromstring(exported(logbook, "all.xml").read_text(encoding="utf-8"))  # noqa: S314 - our own
    found = read(logbook, lambda connection: attempts(connection, Filters(sort="started")))

    suites = root.findall("testsuite")

    assert [each.find("properties/property[@name='attempt']").get("value") for each in suites] == [  # type: ignore[union-attr]
        each.id for each in found
    ]
    for suite, attempt in zip(suites, found, strict=True):
        results = [each.reading.result.value for each in attempt.readings]
        assert len(suite.findall("testcase")) == len(results) + 1 == int(suite.get("tests", ""))
        failed = attempt.result is not None and attempt.result.value == "failed"
        assert (
            len(suite.findall("testcase/failure")) == results.count("fail") + failed == int(suite.get("failures", ""))
        )
        assert len(suite.findall("testcase/error")) == results.count("no value") == int(suite.get("errors", ""))
    assert sum(int(suite.get("failures", "")) for suite in suites) > 3


def test_a_file_that_is_there_is_kept_unless_it_may_be_replaced(
    logbook: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "mine.csv"
    file.write_text("mine")

    assert main(["export", str(file), "--logbook", str(logbook)]) == ExitCode.REFUSED
    assert "is there already, and is kept" in capsys.readouterr().err
    assert file.read_text() == "mine"
    assert main(["export", str(file), "--logbook", str(logbook), "--serial", "MBL-9999", "--force"]) == ExitCode.REFUSED
    assert "Nearest: MBL-000" in capsys.readouterr().err
    assert file.read_text() == "mine"
    assert [each.name for each in tmp_path.iterdir()] == ["mine.csv"]


@pytest.mark.parametrize(
    ("name", "said"),
    [("nowhere/a.csv", "there is no folder"), ("a.ods", "does not say in which form"), (".", "does not say")],
)
def test_what_cannot_be_written_is_said(
    name: str, said: str, logbook: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(tmp_path / name), "--logbook", str(logbook)]) == ExitCode.REFUSED
    assert said in " ".join(capsys.readouterr().err.split())
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("command", [("export", "a.csv"), ("report", "MBL-0001", "--out", "a.html")])
def test_a_folder_of_a_file_system_that_is_read_only_is_said_and_no_bug(
    command: tuple[str, ...],
    logbook: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def refused(path: Path, **_: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(path))

    monkeypatch.chdir(tmp_path)
    for name in ("touch", "unlink"):  # such a file system refuses to remove what is not there, too
        monkeypatch.setattr(Path, name, refused)

    assert main([*command, "--logbook", str(logbook)]) == ExitCode.REFUSED
    assert "cannot be written: Read-only file system" in capsys.readouterr().err


def test_nothing_is_left_where_the_logbook_cannot_be_read(tmp_path: Path) -> None:
    foreign = tmp_path / "foreign.db"
    with sqlite3.connect(foreign) as connection:
        connection.execute("CREATE TABLE x (y)")
    connection.close()

    assert main(["export", str(tmp_path / "a.csv"), "--logbook", str(foreign)]) == ExitCode.REFUSED
    assert [each.name for each in tmp_path.iterdir()] == ["foreign.db"]


@pytest.mark.skipif(find_spec("pyarrow") is not None, reason="pyarrow is installed: what is said without it")
def test_without_pyarrow_parquet_is_refused_with_what_to_install(
    logbook: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(tmp_path / "a.parquet"), "--logbook", str(logbook)]) == ExitCode.REFUSED
    assert "pip install 'bringup[parquet]' (from a checkout: pip install '.[parquet]')" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(find_spec("pyarrow") is None, reason="pyarrow is not installed: pip install 'bringup[parquet]'")
class TestParquet:
    def test_columns_are_typed_and_hold_what_readings_tells(self, logbook: Path) -> None:
        from pyarrow import parquet

        found = parquet.read_table(exported(logbook, "all.parquet")).to_pylist()
        told = asked(logbook, Filters(sort="at"))

        assert [each["id"] for each in found] == [each["id"] for each in told]
        for row, other in zip(found, told, strict=True):
            assert row["at"] == datetime.fromisoformat(other["at"])
            assert row["calibration_due"] in (None, date(2027, 3, 1))
            assert row.keys() == other.keys()
            same = {name: value for name, value in row.items() if name not in ("at", "calibration_due")}
            assert same == {name: other[name] for name in same}
        assert found[0]["at"].tzinfo is not None
        assert found[0]["at"].astimezone(UTC).year == 2026

    def test_a_file_without_rows_has_typed_columns(self, logbook: Path) -> None:
        from pyarrow import parquet

        file = exported(logbook, "none.parquet", "--since", "2099-01-01")

        assert parquet.read_table(file).num_rows == 0
        assert parquet.read_schema(file).equals(parquet.read_schema(exported(logbook, "some.parquet")))
        assert str(parquet.read_schema(file).field("value").type) == "double"
