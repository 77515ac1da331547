"""The line that says how far something has come, on a pseudo-terminal as standard error."""

from __future__ import annotations

import os
import pty
import sys
import time

import pytest

from bringup.commands.progress import BACK, WIPED, Progress


def on_a_terminal(monkeypatch: pytest.MonkeyPatch, columns: int, done: int) -> str:
    """Return what a terminal of so many columns was sent while `done` of four were done, 2.5 s each."""
    ours, theirs = pty.openpty()
    now = [100.0]
    monkeypatch.setattr(os, "get_terminal_size", lambda _of: os.terminal_size((columns, 24)))
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    with os.fdopen(ours, "rb", buffering=0) as screen, os.fdopen(theirs, "w") as stream:
        monkeypatch.setattr(sys, "stderr", stream)
        with Progress(4, "tried") as line:
            for _ in range(done):
                now[0] += 2.5
                line.one_more("sound units blamed: 1")
        sent = b""
        while not sent.endswith((BACK + WIPED).encode()):
            sent += screen.read(4096)
        return sent.decode()


def test_a_terminal_shows_how_many_are_done_and_how_long_the_rest_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    pictures = on_a_terminal(monkeypatch, 80, 2).split(BACK)

    assert pictures == [
        "",
        f"0 of 4 tried{WIPED}",
        f"1 of 4 tried; sound units blamed: 1{WIPED}",
        f"2 of 4 tried, 5 s left; sound units blamed: 1{WIPED}",
        WIPED,
    ]


def test_the_line_stays_one_line_on_a_narrow_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    pictures = on_a_terminal(monkeypatch, 20, 2).split(BACK)

    assert f"2 of 4 tried, 5 s l{WIPED}" in pictures


def test_nothing_is_shown_where_standard_error_is_no_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    with Progress(1, "tried") as line:
        line.one_more()

    assert capsys.readouterr() == ("", "")
