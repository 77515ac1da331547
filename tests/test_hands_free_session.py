"""A whole hands-free `measure` at a real (pseudo) terminal: what the screen says, and what single keys do."""

from __future__ import annotations

import os
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.fakes import ROOT
from tests.probe_hand import BY_HAND

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are a POSIX thing", allow_module_level=True)

from tests.test_terminal_session import Session

PROCEDURE = f"""procedure: Three rails
board: {ROOT / "fixtures/boards/mooring-buoy-logger.yaml"}
steps:
  - apply: {{input: VIN, short_check: 1 V, then: [24 V], current_limit: 400 mA, expect_current: 40 mA .. 150 mA}}
  - measure: {{points: [12V0, 3V3, 1V8], on_fail: go_on}}
"""


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    (tmp_path / "three.yaml").write_text(PROCEDURE, encoding="utf-8")
    run = [sys.executable, "-m", "bringup", "run", "three.yaml", "--serial", "MBL-0001", "--bench", str(BY_HAND)]
    environment = {**os.environ, "TERM": "xterm-256color", "BRINGUP_LOGBOOK": str(tmp_path / "bringup.db")}
    environment.pop("NO_COLOR", None)
    made = Session(run, tmp_path, environment)
    yield made
    made.close()


def test_a_measure_is_gone_through_without_a_key_and_with_the_single_ones(session: Session, tmp_path: Path) -> None:
    session.expect("type the reason")
    session.press("at the bench of a test")
    session.answer("\n", "Connect the supply's leads")
    session.answer("\n", "switches it ON")
    session.answer("\n", "VIN at the board")

    session.expect("Probe on TP2 (12V0), black on ground")
    assert "████" in session.seen
    session.expect("Probe on TP4 (3V3), black on ground")
    session.press("r")
    session.expect("Probe on TP2 (12V0)")
    session.expect("Probe on TP5 (1V8), black on ground")
    session.answer("l", "Why leave out TP5 (1V8)")
    session.press("the pad is under the connector")
    session.answer("\n", "INCOMPLETE")

    assert session.end() == 1
    assert "\a" in session.seen
    assert "again" in session.seen.split("Probe on TP2 (12V0)")[-1].split("3V3")[0]
    with closing(sqlite3.connect(tmp_path / "bringup.db")) as logbook:
        rows = logbook.execute(
            "SELECT rail, result, replaces IS NOT NULL, value IS NULL FROM readings WHERE step = 2 ORDER BY seq"
        ).fetchall()
    assert rows == [("12V0", "pass", 0, 0), ("12V0", "pass", 1, 0), ("3V3", "pass", 0, 0), ("1V8", "no value", 0, 1)]
