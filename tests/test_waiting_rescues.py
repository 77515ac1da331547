"""What waits in rescue files is said by whoever reads the logbook, which is not opened for writing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.main import main
from bringup.logbook.record import LogbookRecord
from bringup.logbook.rescue_file import RescueFile
from tests.logbook_samples import NOON, add_attempt, ohms, start, volts

COMMANDS = (("standing",), ("history", "MBL-0001"), ("attempts",), ("attempts", "--brief"), ("readings",))
ATTEMPT = "0123456789ab"
SAYS = "holds 1 record of attempt 01234567 on MBL-0001 that this logbook lacks: the next `bringup run` with it takes"


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    (tmp_path / "bench").mkdir()
    made = tmp_path / "bench" / "bringup.db"
    with LogbookRecord.open(made, simulated=False) as record:
        add_attempt(record, start(at=NOON), [ohms(), volts()])
        add_attempt(record, start("MBL-0002", at=NOON), [volts()])
    return made


def rescue(folder: Path, logbook: Path, lines: int = 1) -> Path:
    """Make a rescue file as a dead process leaves it."""
    folder.mkdir(parents=True, exist_ok=True)
    file = RescueFile.make(folder, logbook, {"attempt": ATTEMPT, "serial": "MBL-0001"})
    file.append([{"insert": "events", "row": {}}] * lines)
    file.close()
    return file.path


def asked(path: Path, capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[str, str]:
    assert main([*arguments, "--logbook", str(path)]) == 0
    said = capsys.readouterr()
    return said.out, said.err


def each_of(told: Any) -> list[dict[str, Any]]:
    return told if isinstance(told, list) else [told]


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
@pytest.mark.parametrize("place", ["beside", "in the user's folder"])
def test_records_that_wait_are_told_and_stay_where_they_are(
    path: Path, tmp_path: Path, place: str, command: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = path.parent if place == "beside" else tmp_path / "state" / "lasting"
    file = rescue(folder, path)
    before = file.read_bytes(), path.read_bytes()

    table, said = asked(path, capsys, *command)
    as_json, said_too = asked(path, capsys, *command, "--json")

    assert SAYS in said
    assert str(file) in said
    assert said_too == said
    assert "rescue" not in table
    for each in each_of(json.loads(as_json)):
        assert each["rescue_files"] == ([str(file)] if each["serial"] == "MBL-0001" else [])
    assert (file.read_bytes(), path.read_bytes()) == before
    assert sorted(path.parent.iterdir()) == sorted({path, *([file] if place == "beside" else [])})


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_where_nothing_waits_nothing_is_said(
    path: Path, tmp_path: Path, command: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    rescue(path.parent, path, lines=0)
    rescue(tmp_path / "state" / "lasting", tmp_path / "other" / path.name)

    as_json, said = asked(path, capsys, *command, "--json")

    assert said == ""
    assert all(each["rescue_files"] == [] for each in each_of(json.loads(as_json)))


def test_reading_makes_no_folder(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked(path, capsys, "standing")

    assert not (tmp_path / "state").exists()


def test_a_rescue_file_that_cannot_be_read_is_told_as_that(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = path.with_name(f"{path.name}.rescue-00000000.jsonl")
    file.write_text('{"rescue": 99}\n')

    as_json, said = asked(path, capsys, "standing", "--json")

    assert f"the rescue file {file} cannot be read" in said
    assert "it may tell of what this logbook lacks" in said
    assert [each["rescue_files"] for each in json.loads(as_json)] == [[str(file)]] * 2


def test_a_logbook_that_is_gone_does_not_hide_what_waits(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rescue(path.parent, path)
    path.unlink()

    assert main(["standing", "--logbook", str(path)]) != 0

    said = capsys.readouterr().err
    assert SAYS in said
    assert "there is no logbook" in said
