"""Rows for other programs: JSON lines, and CSV that a spreadsheet opens without running anything."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.commands.main import main
from bringup.commands.output import FORMULA, cell, print_records
from bringup.errors import ExitCode
from bringup.logbook.server_address import AnyLogbook
from tests.logbook_samples import filled_logbook

Run = Callable[..., tuple[int, str, str]]
EMPTY_HISTORY: dict[str, object] = {
    "serial": "MBL-0001",
    **{
        name: []
        for name in ("attempts", "notes", "reworks", "observations", "photos", "dispositions", "references", "changes")
    },
    "rescue_files": [],
}


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory, engine: Callable[[Path], AnyLogbook]) -> AnyLogbook:
    made = tmp_path_factory.mktemp("rows") / "bringup.db"
    filled_logbook(made)
    return engine(made)


@pytest.fixture
def run(path: AnyLogbook, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: str) -> tuple[int, str, str]:
        code = main([*arguments, "--logbook", str(path)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return command


@pytest.mark.parametrize("command", ["readings", "attempts"])
def test_json_lines_and_csv_hold_what_json_holds(run: Run, command: str) -> None:
    whole = json.loads(run(command, "--json")[1])
    lines = [json.loads(line) for line in run(command, "--as", "json-lines")[1].splitlines()]
    table = list(csv.DictReader(io.StringIO(run(command, "--as", "csv")[1])))

    assert lines == whole
    assert [row["serial"] for row in table] == [row["serial"] for row in whole]
    assert table[0].keys() == whole[0].keys()


def test_csv_of_attempts_counts_their_readings(run: Run) -> None:
    table = list(csv.DictReader(io.StringIO(run("attempts", "--serial", "MBL-0001", "--real", "--as", "csv")[1])))

    assert [(row["readings"], row["result"], row["simulated"]) for row in table] == [("2", "passed", "false")]


@pytest.mark.parametrize("command", [("readings",), ("attempts",), ("standing",), ("history", "MBL-0001")])
def test_no_rows_are_an_empty_list_or_the_heading_that_rows_have(run: Run, command: tuple[str, ...]) -> None:
    nothing = (*command, "--since", "2099-01-01")

    assert json.loads(run(*nothing, "--as", "json")[1]) in ([], EMPTY_HISTORY)
    assert run(*nothing, "--as", "json-lines")[1] == ""
    heading = run(*command, "--as", "csv")[1].splitlines(keepends=True)[0]
    assert run(*nothing, "--as", "csv")[:2] == (ExitCode.PASSED, heading)


def test_two_forms_at_once_are_refused(run: Run) -> None:
    code, out, err = run("readings", "--json", "--as", "csv")

    assert (code, out) == (ExitCode.REFUSED, "")
    assert "two forms at once" in err


@pytest.mark.parametrize(
    ("value", "written"),
    [
        ("=1+1", "'=1+1"),
        ("  @SUM(A1)", "'  @SUM(A1)"),
        ("-12 V ± 2 %", "'-12 V ± 2 %"),
        ("+3.30076E+00", "+3.30076E+00"),
        ("\t=1", "\\t=1"),
        ("two\nlines", "two\\nlines"),
        (-12.01, -12.01),
        (None, None),
        (True, "true"),
        (["a", "b"], "a; b"),
        (["=a", "b"], "'=a; b"),
    ],
)
def test_a_cell_is_a_value_never_a_formula(value: object, written: object) -> None:
    assert cell(value) == written


@settings(max_examples=30)
@given(st.text())
def test_no_text_becomes_a_formula_or_a_second_row(text: str) -> None:
    written = str(cell(text))

    assert "\n" not in written
    assert "\r" not in written
    if written.lstrip().startswith(FORMULA):
        float(written)  # only a number may begin so


def test_a_comma_and_a_quote_come_back_from_csv(capsys: pytest.CaptureFixture[str]) -> None:
    print_records([{"note": 'slipped, "again"', "value": 3.3}], "csv", ())

    assert list(csv.reader(io.StringIO(capsys.readouterr().out))) == [["note", "value"], ['slipped, "again"', "3.3"]]
