"""A view that nobody can read any more: noted once, in the logbook while the attempt is open, and on standard error."""

from __future__ import annotations

import io
from typing import NoReturn

import pytest

from bringup.commands.telling import Telling
from bringup.runner.protocols import Told
from bringup.simulation.clock import SimulatedClock
from bringup.terminal.plain import PlainView
from tests.fakes import RecordFake

BEGUN, EVENT, ENDED = Told("attempt-begun", "Look"), Told("event", "something"), Told("attempt-ended", "")


class Gone(io.StringIO):
    """A pipe whose reader has left."""

    def write(self, text: str) -> NoReturn:
        raise BrokenPipeError(32, "Broken pipe")


def telling(stream: io.StringIO, record: RecordFake) -> tuple[Telling, PlainView]:
    tell, view = Telling(record, SimulatedClock()), PlainView(stream)
    tell.view = view
    view.start()
    return tell, view


def wait_until_lost(view: PlainView) -> None:
    view._thread.join(timeout=60.0)
    assert view.lost == "Broken pipe"


def test_a_reader_that_left_is_noted_once_and_the_attempt_goes_on(capsys: pytest.CaptureFixture[str]) -> None:
    record = RecordFake()
    tell, view = telling(Gone(), record)

    tell(BEGUN)
    wait_until_lost(view)
    for told in (EVENT, EVENT, ENDED):
        tell(told)
    tell.at_the_end()

    (event,) = record.events
    assert event[:2] == (
        "view-lost",
        "nobody can read any more what is shown (Broken pipe): the attempt and the logbook go on",
    )
    assert capsys.readouterr().err.count("nobody can read any more") == 1


def test_a_reader_that_left_at_the_end_is_no_event_of_an_attempt_that_is_closed(
    capsys: pytest.CaptureFixture[str],
) -> None:
    record = RecordFake()
    tell, view = Telling(record, SimulatedClock()), PlainView(Gone())
    tell.view = view

    tell(BEGUN)
    tell(ENDED)
    view.start()
    wait_until_lost(view)
    tell.at_the_end()

    assert "the end could not be shown (Broken pipe): `bringup history` tells it" in capsys.readouterr().err
    assert record.events == []


def test_a_logbook_that_cannot_be_written_either_ends_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    tell, view = telling(Gone(), RecordFake(fail_from=1))

    tell(BEGUN)
    wait_until_lost(view)
    tell(EVENT)

    assert "not in the logbook: the disk is full" in capsys.readouterr().err


def test_a_view_that_is_read_is_nothing_to_be_noted(capsys: pytest.CaptureFixture[str]) -> None:
    record = RecordFake()
    tell, view = telling(io.StringIO(), record)

    tell(BEGUN)
    tell(ENDED)
    view.close()
    tell.at_the_end()

    assert (record.events, capsys.readouterr().err) == ([], "")
