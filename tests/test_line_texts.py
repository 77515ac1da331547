"""What came on serial lines, in the logbook and read back: whole lines with the time of their first piece."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.core.words import AttemptResult
from bringup.logbook.record import LogbookRecord
from bringup.runner.records import LineText
from tests.logbook_samples import NOON, start

PIECES = (
    (1, "console", 0.0, "boot\r\nlogg"),
    (1, "radio", 0.1, "on\n"),
    (2, "console", 0.2, "er \\xff"),
    (2, "console", 0.25, " ready\r"),
    (None, "console", 0.3, "\n\r\nlast"),
)


@pytest.fixture
def logbook(tmp_path: Path) -> Path:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        record.begin(start("MBL-0009"))
        texts = [
            LineText(step, line, NOON + timedelta(seconds=after), 100.0 + after, text)
            for step, line, after, text in PIECES
        ]
        record.line_texts(texts[:2])
        record.line_texts(texts[2:])
        record.line_texts([])
        record.end(AttemptResult.PASSED, "", at=NOON + timedelta(seconds=1), off_verified=True)
    return path


def test_lines_are_told_whole_with_the_time_and_step_of_their_first_piece(
    logbook: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["history", "MBL-0009", "--serial-text", "--json", "--logbook", str(logbook)]) == 0

    (attempt,) = json.loads(capsys.readouterr().out)["attempts"]
    told = [(each["step"], each["line"], each["text"], each["at"][-7:]) for each in attempt["serial_text"]]
    assert told == [
        (2, "console", "boot", "000000Z"),
        (2, "console", "logger \\xff ready", "000000Z"),
        (2, "radio", "on", "100000Z"),
        (None, "console", "last", "300000Z"),
    ]


def test_history_shows_them_only_where_they_are_asked_for(logbook: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["history", "MBL-0009", "--logbook", str(logbook)])
    assert "ready" not in capsys.readouterr().out

    main(["history", "MBL-0009", "--serial-text", "--logbook", str(logbook)])
    assert "step 2 console: logger \\xff ready" in capsys.readouterr().out


def test_a_logbook_with_serial_text_is_sound(logbook: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", "--logbook", str(logbook)]) == 0
    capsys.readouterr()
