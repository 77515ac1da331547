"""Closing attempts from beside the process that wrote them: what the guardian found out is in the logbook."""

from __future__ import annotations

import os
import sqlite3
import threading
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from bringup.core.words import UNSEEN, AttemptResult
from bringup.errors import LogbookError
from bringup.logbook import breaking_off
from bringup.logbook.breaking_off import mark_broken_off
from bringup.logbook.queries import attempt
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.rescue_file import RescueFile
from bringup.logbook.rows import LoggedAttempt
from bringup.logbook.several_guardians import OneOf
from tests.logbook_samples import NOON, add_attempt, start, volts

CAUSE = "the tool was killed; the guardian switched off"
LATER = NOON + timedelta(seconds=30)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bringup.db"


def left_open(path: Path) -> str:
    """Write an attempt and let go of it without an end, as a killed process does."""
    with LogbookRecord.open(path, simulated=False) as record:
        identity = record.begin(start())
        record.reading(volts())
    return identity


def logged(path: Path, identity: str) -> LoggedAttempt:
    return read(path, lambda connection: attempt(connection, identity))


@pytest.mark.parametrize("off_verified", [True, False, None])
def test_an_attempt_is_marked_broken_off_with_what_is_known_of_the_outputs(
    path: Path, off_verified: bool | None
) -> None:
    identity = left_open(path)
    assert mark_broken_off(path, identity, CAUSE, off_verified=off_verified, at=LATER)
    after = logged(path, identity)
    assert (after.result, after.cause, after.off_verified) == (AttemptResult.BROKEN_OFF, CAUSE, off_verified)
    assert after.ended == LATER
    trip = [("trip", f"{CAUSE}: {UNSEEN}")] if off_verified is False else []
    assert [(event.kind, event.text) for event in after.events] == [("guardian", CAUSE), *trip]
    assert len(after.readings) == 1


def test_an_output_that_nobody_saw_for_too_long_may_have_tripped_though_it_is_off_now(path: Path) -> None:
    identity = left_open(path)
    mark_broken_off(path, identity, CAUSE, off_verified=True, at=LATER, unseen=True)
    assert [event.kind for event in logged(path, identity).events] == ["guardian", "trip"]


def rescue_file(path: Path, attempt: str) -> RescueFile:
    return RescueFile.make(path.parent, path, {"attempt": attempt, "serial": "MBL-0001"}, size=4096)


def let_go(file: RescueFile) -> None:
    """Let go of the file without closing it, as a killed process does."""
    os.close(file._descriptor)


def test_the_rescue_file_of_a_killed_process_goes_with_it_if_nothing_is_in_it(path: Path) -> None:
    identity = left_open(path)
    empty, held, other = (rescue_file(path, whose) for whose in (identity, identity, "another attempt"))
    full = rescue_file(path, identity)
    full.append([{"insert": "notes", "row": {}}])
    for each in (empty, other, full):
        let_go(each)
    no_rescue = path.with_name(f"{path.name}.rescue-odd.jsonl")
    no_rescue.write_text("not ours\n", "utf-8")

    mark_broken_off(path, identity, CAUSE, off_verified=True, at=LATER)

    assert not empty.path.exists()
    assert all(each.exists() for each in (held.path, other.path, full.path, no_rescue))
    held.close()


def test_an_attempt_that_was_closed_already_keeps_its_result_and_gets_the_event(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        identity = add_attempt(record, start())
    assert not mark_broken_off(path, identity, CAUSE, off_verified=True, at=LATER)
    after = logged(path, identity)
    assert after.result is AttemptResult.PASSED
    assert after.events[-1].text == f"{CAUSE} (it was closed already)"


@pytest.mark.parametrize(
    ("first", "second", "after_one", "after_both"),
    [(True, True, False, True), (True, False, False, False), (False, True, False, False), (None, None, None, None)],
)
def test_of_two_supplies_off_is_verified_only_once_both_guardians_say_so(
    path: Path, first: bool | None, second: bool | None, after_one: bool | None, after_both: bool | None
) -> None:
    identity = left_open(path)

    assert mark_broken_off(path, identity, "one", off_verified=first, at=LATER, one_of=OneOf("of one", 2))
    assert logged(path, identity).off_verified is after_one
    assert not mark_broken_off(path, identity, "other", off_verified=second, at=LATER, one_of=OneOf("of other", 2))

    after = logged(path, identity)
    assert (after.result, after.off_verified) == (AttemptResult.BROKEN_OFF, after_both)
    assert [event.text for event in after.events if event.kind == "guardian"] == [
        "one",
        "other (it was closed already)",
    ]


def test_a_supply_that_comes_on_again_takes_back_that_off_was_verified(path: Path) -> None:
    identity = left_open(path)
    for name in ("of one", "of other"):
        mark_broken_off(path, identity, name, off_verified=True, at=LATER, one_of=OneOf(name, 2))

    mark_broken_off(path, identity, "it came on again", off_verified=False, at=LATER, one_of=OneOf("of one", 2))

    after = logged(path, identity)
    assert after.off_verified is False
    assert "it came on again" in after.cause


def test_what_the_tool_closed_itself_no_guardian_of_several_changes(path: Path) -> None:
    with LogbookRecord.open(path, simulated=False) as record:
        identity = add_attempt(record, start())
    before = logged(path, identity)

    mark_broken_off(path, identity, CAUSE, off_verified=False, at=LATER, one_of=OneOf("of one", 2))

    after = logged(path, identity)
    assert (after.result, after.off_verified, after.cause) == (before.result, before.off_verified, before.cause)


def test_it_waits_for_a_writer_that_lets_go(path: Path) -> None:
    identity = left_open(path)
    with closing(sqlite3.connect(path, isolation_level=None, check_same_thread=False)) as other:
        other.execute("BEGIN IMMEDIATE")
        release = threading.Timer(breaking_off.WAIT_SECONDS / 20, lambda: other.execute("COMMIT"))
        release.start()
        assert mark_broken_off(path, identity, CAUSE, off_verified=True, at=LATER)
        release.join()


def test_a_writer_that_never_lets_go_is_said(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(breaking_off, "WAIT_SECONDS", 0.05)
    identity = left_open(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogbookError, match="another program holds it locked"):
            mark_broken_off(path, identity, CAUSE, off_verified=True, at=LATER)
    assert logged(path, identity).result is None


def test_an_unknown_attempt_and_a_file_that_is_gone_are_said_and_nothing_is_made(path: Path) -> None:
    left_open(path)
    with pytest.raises(LogbookError, match="no attempt 1234 is in the logbook"):
        mark_broken_off(path, "1234", CAUSE, off_verified=True, at=LATER)
    gone = path.with_name("gone.db")
    with pytest.raises(LogbookError, match="the system does not let it be opened"):
        mark_broken_off(gone, "1234", CAUSE, off_verified=True, at=LATER)
    assert not gone.exists()
