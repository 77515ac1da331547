"""The logbook fails while `bringup run` measures: output off, exit code 3, words that help, and every reading kept."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bringup.errors import ExitCode
from bringup.logbook import keeping
from tests.logbook_faults import Impossible, Strike, full, locked, ordinary, small_disk, strike_here
from tests.rig import rig


@pytest.mark.parametrize(
    ("fault", "disk", "words"),
    [
        (locked, ordinary, "another program holds it locked"),
        (full, small_disk, "the disk is full"),
    ],
)
def test_a_logbook_that_fails_costs_no_reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: Strike, disk: object, words: str
) -> None:
    """Two of them; tests/benchmarks/logbook_faults.py has all, and test_rescue.py what becomes of the records."""
    monkeypatch.setattr(keeping, "AT_THE_END_SECONDS", 0.1)
    with rig(tmp_path) as bench:
        try:
            outcome = strike_here(bench, fault, disk(bench))  # type: ignore[operator]
        except Impossible as why:
            pytest.skip(str(why))
    assert (outcome.code, outcome.output_on) == (ExitCode.STOPPED, False)
    assert outcome.off_verified
    assert re.search(rf"{words}.*; what it lacks is kept in .*bringup\.db\.rescue-\w+\.jsonl", outcome.said)
    assert "the next `bringup run` with this logbook takes it in" in outcome.said
    assert "write it down" not in outcome.said
    assert outcome.shown > 0
    assert outcome.lost == 0
    assert outcome.rescued > 0
    assert outcome.sound
