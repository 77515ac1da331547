"""Messages on a terminal: broken at words, what they quote left as it is."""

from __future__ import annotations

import io
import os
import re
import sys

import pytest

from bringup.commands.saying import say

LONG = (
    "the supply is to sense at the board, not at its terminals, and does not (VIN): look at its sense leads and straps"
)


class Terminal(io.StringIO):
    """Standard error of a terminal of 40 columns."""

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        return 2


def test_a_message_on_a_terminal_is_broken_at_words(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Terminal()
    monkeypatch.setattr(sys, "stderr", stream)
    monkeypatch.setattr(os, "get_terminal_size", lambda _descriptor: os.terminal_size((40, 24)))
    quoted = "    VIN: {voltage: 24 V, range: 18 V .. 30 V, damage_above: 33 V}"

    say(f"{LONG}\n{quoted}", err=True)

    lines = stream.getvalue().splitlines()
    assert lines[-1] == quoted
    assert all(len(line) <= 40 for line in lines[:-1])
    assert re.sub(r"\s+", " ", " ".join(lines[:-1])) == LONG


def test_a_message_into_a_file_stays_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = io.StringIO()
    monkeypatch.setattr(sys, "stderr", stream)

    say(LONG, err=True)

    assert stream.getvalue() == f"{LONG}\n"
