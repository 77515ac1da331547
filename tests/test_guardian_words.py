"""What the guardian keeps and says, and that each of the three ways is tried whatever became of the others."""

from __future__ import annotations

import os
import pty
import sqlite3
import threading
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands import guardian_words
from bringup.commands.common import show_left_messages
from bringup.commands.guardian_spec import SHORTER, GuardianSpec, read_spec, try_for
from bringup.commands.guardian_words import Account
from bringup.core.bench import SupplyRole
from bringup.files.dialect_file import find_dialect
from bringup.host.left_messages import take_messages
from bringup.host.vigil import Vigil
from bringup.logbook.opening import open_for_writing
from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import start

DIED = "bringup was killed or crashed"


@pytest.fixture(autouse=True)
def _own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    monkeypatch.setattr(guardian_words, "BETWEEN_LOGBOOK_TRIES", 0.0)


def begun(logbook: Path) -> str:
    with LogbookRecord(open_for_writing(logbook), simulated=False) as record:
        return record.begin(start())


def spec(folder: Path, *, own_child: bool = False, terminal: str = "") -> GuardianSpec:
    role = SupplyRole("TCPIP0::127.0.0.1::1::SOCKET", "select-by-number", {"VIN": 1})
    dialect = find_dialect("select-by-number", str(folder / "bench.yaml"))
    return GuardianSpec(
        role,
        dialect,
        role.resource or "",
        "@py",
        "lock",
        None,
        "Corner bench",
        "MBL-0001",
        str(folder / "bringup.db"),
        os.getpid(),
        own_child=own_child,
        terminal=terminal,
    )


def vigil(attempt: str, *lines: str) -> Vigil:
    told = Vigil()
    for at, line in enumerate((f"attempt {attempt}", *lines)):
        told.heard(line, float(at))
    return told


def ended(logbook: Path) -> tuple[object, ...]:
    with closing(sqlite3.connect(logbook)) as connection:
        row: tuple[object, ...] = connection.execute("SELECT result, cause, off_verified FROM attempts").fetchone()
    return row


def test_a_spec_arrives_as_it_was_sent(tmp_path: Path) -> None:
    sent = spec(tmp_path, terminal="/dev/pts/7")

    assert "\n" not in sent.as_line()
    assert read_spec(sent.as_line()) == sent


def test_a_death_before_anything_was_on_is_no_alarm(tmp_path: Path) -> None:
    attempt = begun(tmp_path / "bringup.db")
    Account(spec(tmp_path), vigil(attempt), DIED, restore=False).settle(None, "")

    assert ended(tmp_path / "bringup.db") == ("broken off", f"{DIED}; no output had been on", None)
    (said,) = take_messages()
    assert "UNKNOWN" not in said
    assert f"No output had been on. Attempt {attempt[:8]} is marked broken off." in said


def test_the_guardian_says_how_to_go_on_with_what_it_broke_off(tmp_path: Path) -> None:
    attempt = begun(tmp_path / "bringup.db")
    known = replace(spec(tmp_path), to_go_on="bringup run procedure.yaml --serial MBL-0001 --continue")
    Account(known, vigil(attempt), DIED, restore=False).settle(None, "")

    (said,) = take_messages()
    assert "is marked broken off. To go on with it:" in said
    assert "\n  bringup run procedure.yaml --serial MBL-0001 --continue" in said


@pytest.mark.parametrize(("before", "trips"), [(40.0, 1), (0.5, 0)])
def test_a_board_that_nobody_saw_before_the_guardian_reached_its_supply_may_have_tripped(
    tmp_path: Path, before: float, trips: int
) -> None:
    attempt, now, told = begun(tmp_path / "bringup.db"), time.monotonic(), Vigil()
    for at, line in ((now - 90.0, f"attempt {attempt}"), (now - 80.0, "on"), (now - before, "beat")):
        told.heard(line, at)

    Account(spec(tmp_path), told, DIED, restore=False).settle(True, "")

    with closing(sqlite3.connect(tmp_path / "bringup.db")) as connection:
        assert connection.execute("SELECT count(*) FROM events WHERE kind = 'trip'").fetchone() == (trips,)


def test_a_simulated_supply_that_went_with_the_tool_is_no_alarm(tmp_path: Path) -> None:
    attempt = begun(tmp_path / "bringup.db")
    Account(spec(tmp_path, own_child=True), vigil(attempt, "on"), DIED, restore=False).settle(None, "")

    (said,) = take_messages()
    assert "The simulated bench ended with the tool, so its outputs were not asked." in said
    words = "the simulated bench ended with the tool, so its outputs were not asked"
    assert ended(tmp_path / "bringup.db") == ("broken off", f"{DIED} with an output on; {words}", None)


def test_a_death_after_all_was_done_is_not_mentioned(tmp_path: Path) -> None:
    attempt = begun(tmp_path / "bringup.db")
    Account(spec(tmp_path), vigil(attempt, "on", "off", "closed"), DIED, restore=False).settle(True, "")

    assert take_messages() == []
    assert ended(tmp_path / "bringup.db")[0] is None, "it was the tool that closed it, in this test nobody"


def test_a_supply_that_could_not_be_reached_is_unknown_everywhere(tmp_path: Path) -> None:
    attempt = begun(tmp_path / "bringup.db")
    Account(spec(tmp_path), vigil(attempt, "on"), DIED, restore=False).settle(False, "nothing listens there")

    cause = f"{DIED} with an output on; the output state is UNKNOWN: nothing listens there"
    assert ended(tmp_path / "bringup.db") == ("broken off", cause, 0)
    (said,) = take_messages()
    assert said.startswith(f"{'=' * 76}\nOUTPUT STATE UNKNOWN\nswitch the supply off at its own switch, now")


def test_of_several_supplies_the_guardian_names_the_one_whose_switch_is_left(tmp_path: Path) -> None:
    one = spec(tmp_path)
    assert isinstance(one.role, SupplyRole)
    role = replace(one.role, name="supply bias", first=100)
    its = replace(one, role=role, of=" of the supply bias", guardians=2)
    attempt = begun(tmp_path / "bringup.db")

    Account(its, vigil(attempt, "on"), DIED, restore=True).settle(False, "no answer")

    (message,) = take_messages()
    assert "switch the supply bias off at its own switch" in message
    assert "The output state of the supply bias is UNKNOWN: no answer" in message
    assert "bringup guardian of the supply bias, " in message


def test_a_logbook_that_is_gone_keeps_nothing_from_being_said(tmp_path: Path) -> None:
    Account(spec(tmp_path), vigil("12ab", "on"), DIED, restore=False).settle(True, "")

    (said,) = take_messages()
    assert "Every output is OFF, verified by asking. The logbook does not know it yet:" in said


def test_a_logbook_that_is_locked_for_a_moment_is_waited_for(tmp_path: Path) -> None:
    logbook = tmp_path / "bringup.db"
    attempt = begun(logbook)
    with closing(sqlite3.connect(logbook, check_same_thread=False, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        free = threading.Timer(0.2, lambda: other.execute("ROLLBACK"))
        free.start()
        Account(spec(tmp_path), vigil(attempt, "on"), DIED, restore=False).settle(True, "")
        free.join()

    assert ended(logbook)[0] == "broken off"


def test_what_is_said_at_a_terminal_is_broken_at_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    attempt = begun(tmp_path / "bringup.db")
    master, slave = pty.openpty()
    trouble = "TCPIP0::127.0.0.1::5025::SOCKET does not answer: nothing listens there, or it has no free connection"
    try:
        account = Account(spec(tmp_path, terminal=os.ttyname(slave)), vigil(attempt, "on"), DIED, restore=False)
        account.settle(False, trouble)
        said = os.read(master, 4096).decode()
    finally:
        os.close(master)
        os.close(slave)
    show_left_messages()

    for shown in (said, capsys.readouterr().err):
        lines = shown.split("\n")
        assert max(len(line.rstrip()) for line in lines) <= 80
        assert f"The output state is UNKNOWN: {trouble}. Attempt" in " ".join(line.strip() for line in lines)


@pytest.mark.parametrize(("said", "seconds"), [("20", 20.0), ("9999", 300.0), ("soon", 300.0), (None, 300.0)])
def test_the_environment_can_only_shorten_the_trying(
    said: str | None, seconds: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(SHORTER, raising=False)
    if said is not None:
        monkeypatch.setenv(SHORTER, said)
    assert try_for() == seconds


def test_what_an_instrument_answered_is_shown_at_the_terminal_not_obeyed(tmp_path: Path) -> None:
    attempt = begun(tmp_path / "bringup.db")
    master, slave = pty.openpty()
    try:
        account = Account(spec(tmp_path, terminal=os.ttyname(slave)), vigil(attempt, "on"), DIED, restore=False)
        account.settle(False, "'\x1b[2J' answers")
        said = os.read(master, 4096).decode()
    finally:
        os.close(master)
        os.close(slave)

    assert r"'\x1b[2J' answers" in said
    assert "\x1b" not in said
