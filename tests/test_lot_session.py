"""A lot gone through at a real (pseudo) terminal: serial numbers scanned and typed, each unit's screen, the yield."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.fakes import BENCH, ROOT

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are a POSIX thing", allow_module_level=True)

from tests.test_terminal_session import Session

PROCEDURE = f"""procedure: One rail
board: {ROOT / "fixtures/boards/mooring-buoy-logger.yaml"}
steps:
  - inspect: [Polarised parts match]
  - apply: {{input: VIN, short_check: 1 V, then: [24 V], current_limit: 400 mA, expect_current: 40 mA .. 150 mA}}
  - measure: [3V3]
"""
NEXT = "scan or type its serial number"


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    (tmp_path / "one.yaml").write_text(PROCEDURE, encoding="utf-8")
    run = [sys.executable, "-m", "bringup", "run", "one.yaml", "--lot", "L7", "--next", "--bench", str(BENCH)]
    environment = {**os.environ, "TERM": "xterm-256color", "BRINGUP_LOGBOOK": str(tmp_path / "bringup.db")}
    environment.pop("NO_COLOR", None)
    made = Session(run, tmp_path, environment)
    yield made
    made.close()


def inspected(session: Session) -> None:
    """Answer what comes before power: the list, and why no resistance is needed here."""
    session.expect("numbers of the exceptions")
    session.answer("a", "type the reason")
    session.press("read at the other bench")
    session.answer("\n", "switches it ON")


def test_a_lot_is_gone_through_unit_after_unit_and_ends_with_its_yield(session: Session) -> None:
    session.expect(NEXT)
    assert "Enter: " not in session.seen, "nothing says yet which number comes first"
    session.press("\n")
    assert "no serial number to go on from" in session.expect(NEXT), "both may come at once"

    session.press("MBL-0041\r")  # as a barcode reader does
    inspected(session)
    session.answer("\n", "PASSED")
    between = session.expect(f"{NEXT} (Enter: MBL-0042; q: end)")
    assert "Between units: outputs OFF, verified by asking; instruments released." in between
    session.press("MBL-41\n")
    assert "MBL-41" in session.expect(NEXT)
    session.press("MBL-0041\n")
    session.expect("MBL-0041 was attempted in this sitting already (passed). Attempt it again? (y; Enter: no)")
    session.press("\n")

    session.expect(NEXT)
    session.press("\n")
    session.expect("MBL-0042: One rail")
    inspected(session)
    session.press("q")
    session.expect("CALLED OFF")

    session.expect(NEXT)
    session.press("q\n")
    session.expect("Lot L7, 2 attempted now: MBL-0041 passed, MBL-0042 called off")
    assert session.end() == 3
    assert "1 of 1" in session.seen.rpartition("Lot L7, 2 attempted now")[2]
