"""`bringup diagnose` on what a logbook holds, and the line at the end of a failed attempt."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.core.words import AttemptResult
from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import add_attempt, start, volts

ROOT = Path(__file__).parent.parent
FAULTY = str(ROOT / "fixtures/benches/faults/5v0-lower-open.yaml")
PROCEDURE = str(ROOT / "procedures/recheck.yaml")


@pytest.fixture(scope="module")
def failed(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """A logbook with one failed attempt, and what `run` said."""
    folder = tmp_path_factory.mktemp("diagnose")
    logbook = folder / "d.db"
    command = [sys.executable, "-m", "bringup", "run", PROCEDURE, "--serial", "MBL-0007", "--bench", FAULTY]
    ended = subprocess.run(
        [*command, "--logbook", str(logbook)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        env={**os.environ, "BRINGUP_STATE": str(folder / "state")},
        check=False,
    )
    assert ended.returncode == 1, ended.stdout + ended.stderr
    return str(logbook), ended.stdout


def test_a_failed_attempt_ends_with_the_likely_cause(failed: tuple[str, str]) -> None:
    said = " ".join(failed[1].split())

    assert "Likely: 5V0: upper feedback resistor shorted, or 5V0: lower feedback resistor open" in said
    assert said.endswith("More: bringup diagnose MBL-0007")


def test_the_last_attempt_is_diagnosed_by_the_board_it_was_made_with(
    failed: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["diagnose", "MBL-0007", "--logbook", failed[0]]) == 0

    out = capsys.readouterr().out
    assert "failed  SIMULATED" in out.splitlines()[0]
    assert "1. 5V0: upper feedback resistor shorted" in out
    assert "is its 800 mV reference: its feedback has no gain." in out
    assert out.rstrip().endswith("not a finding.")


def test_the_causes_as_data(failed: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["diagnose", "MBL-0007", "--logbook", failed[0], "--json"]) == 0

    found = json.loads(capsys.readouterr().out)
    cause = found["causes"][0]
    assert {fault["fault"] for fault in cause["faults"]} >= {"upper_shorted", "lower_open"}
    assert cause["explains_every_reading"]
    assert cause["probability"] > 0.9
    assert any(each["point"] == "5V0" and abs(each["predicted"] - 0.8) < 0.01 for each in cause["readings"])


def test_another_board_file_can_be_given(failed: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    board = str(ROOT / "fixtures/boards/mooring-buoy-logger.yaml")
    assert main(["diagnose", "MBL-0007", "--logbook", failed[0], "--board", board]) == 0
    assert "5V0: upper feedback resistor shorted" in capsys.readouterr().out


def test_an_unknown_unit_is_refused_with_the_known_ones(
    failed: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["diagnose", "MBL-0008", "--logbook", failed[0]]) == 2
    assert "MBL-0007" in capsys.readouterr().err


def test_other_units_that_read_so_too_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    logbook = str(tmp_path / "lot.db")
    with LogbookRecord.open(Path(logbook), simulated=False) as record:
        for number in range(3):
            add_attempt(record, start(f"MBL-000{number}"), [volts(3.0)], result=AttemptResult.FAILED)
        add_attempt(record, replace(start("MBL-0009"), revision="C"), [volts()])
    board = str(ROOT / "fixtures/boards/mooring-buoy-logger.yaml")

    assert main(["diagnose", "MBL-0000", "--logbook", logbook, "--board", board]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "All 2 other units read so, too: the design, the parts list or a reel rather than one joint." in out
    assert "1. 3V3: another converter fitted, of 3 V" in out

    assert main(["diagnose", "MBL-0000", "--logbook", logbook, "--board", board, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["other_units"] == {"compared": 2, "alike": 2}
