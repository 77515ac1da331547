"""Observations: kept with the readings behind them, and gathered into a design's list for its next revision."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.main import main
from bringup.core.words import Result
from bringup.errors import ExitCode
from bringup.logbook.audit import audit
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import add_attempt, ohms, start, volts

BOARD = "Mooring buoy logger"
LOW = replace(volts(2.91), result=Result.FAIL)
Run = Callable[..., Any]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("filled") / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start("MBL-0001"), [ohms(), LOW])
        add_attempt(record, start("MBL-0002"), [ohms(), volts()])
        add_attempt(record, replace(start("MBL-0003"), revision="C"), [ohms(), volts()])
        add_attempt(record, start("MBL-0001", simulated=True), [ohms(), volts(3.9)])
    return path


@pytest.fixture
def path(tmp_path: Path, filled: Path) -> Path:
    return Path(shutil.copy(filled, tmp_path / "bringup.db"))


@pytest.fixture
def run(path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: str, code: int = ExitCode.PASSED) -> Any:
        assert main([*arguments, "--logbook", str(path)]) == code
        captured = capsys.readouterr()
        return json.loads(captured.out) if "--json" in arguments else captured.out + captured.err

    return command


def observe(run: Run, serial: str, *arguments: str) -> Any:
    return run("observation", serial, *arguments, "--by", "ada", "--json", "--for", "design", "--real")


def test_an_observation_keeps_its_readings_and_is_for_the_unit_unless_said(run: Run, path: Path) -> None:
    seen = run("observation", "MBL-0002", "a scratch at J3", "--by", "ada", "--json")
    assert (seen["target"], seen["severity"], seen["readings"]) == ("unit", "should", [])
    seen = observe(run, "MBL-0001", "3V3 too low", "--rail", "3v3", "--severity", "must")
    assert (seen["board"], seen["revision"], seen["who"], len(seen["readings"])) == (BOARD, "B", "ada", 2)
    assert LOW.id in seen["readings"]
    named = observe(run, "MBL-0001", "and again", "--reading", LOW.id[:10])
    assert named["readings"] == [LOW.id]
    assert read(path, audit).sound


def test_a_design_list_counts_units_and_shows_the_readings_behind(run: Run) -> None:
    first = observe(run, "MBL-0001", "R12 should be 100 kΩ", "--rail", "3V3")
    observe(run, "MBL-0002", "r12  should be 100 kΩ.", "--severity", "must")
    observe(run, "MBL-0003", "--again", first["id"][:8])
    observe(run, "MBL-0003", "--again", first["id"][:8])
    observe(run, "MBL-0003", "silkscreen hides TP4", "--severity", "nice")
    run("observation", "MBL-0001", "for this unit only", "--real")
    entries = run("observation", "--design", BOARD, "--json")
    assert [(each["text"], each["severity"], each["count"]) for each in entries] == [
        ("R12 should be 100 kΩ", "must", 3),
        ("silkscreen hides TP4", "nice", 1),
    ]
    assert entries[0]["units"] == ["MBL-0001", "MBL-0002", "MBL-0003"]
    assert entries[0]["revisions"] == ["B", "C"]
    assert entries[0]["first_seen"] == first["at"]
    assert len(entries[0]["observations"]) == 4
    assert {each["id"] for each in entries[0]["readings"]} >= {LOW.id}
    text = run("observation", "--design", "Mooring*")
    assert f"{BOARD}, for the next revision: 2" in text
    assert "MBL-0001 3V3 voltage 2.910 V, limits 3.3 V ± 2 %: fail" in text
    assert [each["text"] for each in run("observation", "--design", BOARD, "--revision", "C", "--json")] == [
        "R12 should be 100 kΩ",
        "silkscreen hides TP4",
    ]


def test_what_simulated_units_show_has_entries_of_its_own(run: Run) -> None:
    observe(run, "MBL-0001", "too low")
    run("observation", "MBL-0001", "too low", "--for", "design", "--simulated")
    assert [(each["simulated"], each["count"]) for each in run("observation", "--design", BOARD, "--json")] == [
        (False, 1),
        (True, 1),
    ]
    assert "SIMULATED" in run("observation", "--design", BOARD)
    assert "SIMULATED" not in run("observation", "--design", BOARD, "--real")


def test_a_simulated_observation_is_none_to_repeat_on_a_real_unit(run: Run) -> None:
    seen = run("observation", "MBL-0001", "too low", "--for", "design", "--simulated", "--json")
    said = run("observation", "MBL-0001", "--again", seen["id"], "--real", code=ExitCode.REFUSED)
    assert f"no observation on units of '{BOARD}'" in said


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("MBL-0002",), "no text was given"),
        ((), "no unit was named"),
        (("MBL-0002", "x", "--rail", "9V"), "has no reading of '9V'\n  It has readings of: 3V3."),
        (("MBL-0002", "x", "--reading", "zzz"), "no reading of MBL-0002 with an id that begins with 'zzz'"),
        (("MBL-0002", "x", "--reading", ""), "no reading of MBL-0002"),
        (("MBL-0002", "x", "--again", "zzz"), "no observation on units of"),
        (("MBL-0002", "x", "--design", BOARD), "--design lists"),
        (("MBL-0002", "x", "--revision", "B"), "--revision goes with --design"),
        (("--design", "Tide gauge"), "no unit of a board 'Tide gauge' is in this logbook\n  Known: Mooring buoy"),
        (("MBL-0002", "x", "--severity", "dire"), "dire"),
    ],
)
def test_what_makes_no_sense_is_refused_with_words(run: Run, arguments: tuple[str, ...], words: str) -> None:
    said = run("observation", *arguments, code=ExitCode.REFUSED)
    assert words in said
    assert "Traceback" not in said


def test_a_design_without_observations_says_so(run: Run) -> None:
    assert run("observation", "--design", BOARD) == f"Nothing was observed of the design of {BOARD}.\n"


def test_a_history_names_observations(run: Run) -> None:
    seen = observe(run, "MBL-0001", "3V3 too low", "--reading", LOW.id)
    told = run("history", "MBL-0001", "--real")
    assert f"observation {seen['id'][:8]}, " in told
    assert "ada: should, for the design: 3V3 too low; 1 reading behind it" in " ".join(told.split())
    assert run("history", "MBL-0001", "--real", "--json")["observations"] == [seen]
