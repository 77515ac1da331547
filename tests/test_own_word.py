"""What the board itself says of a rail: kept there, beside the meter's reading, judged by it where asked."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.core.listening import Listen
from bringup.core.procedure import Measure, Step
from bringup.core.quantity import parse_quantity
from bringup.core.reading import BY_BOARD, Reading
from bringup.core.words import AttemptResult, Result
from bringup.errors import ExitCode
from bringup.runner.setup import AttemptOutcome
from tests.fakes import ROOT
from tests.test_listen_attempt import WITHIN, at_work

SAYS = Listen("console", WITHIN, pattern=r"v33=(?P<v33>[0-9.]+)\b", units={"v33": "mV"}, rails={"v33": "3V3"})
READ, AGREES = Measure(("3V3",)), replace(SAYS, agrees={"v33": parse_quantity("2 %")})


def saying(text: bytes, *steps: Listen | Measure) -> AttemptOutcome:
    bench, line = at_work(*(Step(index, action) for index, action in enumerate(steps, 1)), powered=True)
    line.push_at(1.4, text)
    return bench.run()


def both(outcome: AttemptOutcome) -> tuple[Reading, Reading]:
    """The board's word of 3V3, and the meter's reading."""
    (said,) = [each for each in outcome.readings if each.aspect == BY_BOARD]
    (read,) = [each for each in outcome.readings if each.point == "3V3" and each.instrument == "meter"]
    return said, read


def test_the_boards_word_stands_at_the_rail_with_its_difference_to_the_meters() -> None:
    said, read = both(saying(b"v33=3250\r\n", READ, SAYS))

    assert (said.point, said.value, said.instrument, said.result) == ("3V3", 3.25, "console", Result.RECORDED)
    assert read.value is not None
    assert said.note.endswith(f"({100 * (3.25 - read.value) / read.value:+.2f} %) from the meter's {read.value:.5f} V")
    assert read.note == ""


def test_the_meters_reading_that_comes_later_has_the_boards_word_beside_it() -> None:
    said, read = both(saying(b"v33=3250\r\n", SAYS, READ))

    assert said.note == ""
    assert read.note.startswith("the board says 3.250 V, -")
    assert read.result is Result.PASS, "its own limits judge it, not the board's word"


@pytest.mark.parametrize(("text", "result"), [(b"v33=3290\r\n", Result.PASS), (b"v33=3100\r\n", Result.FAIL)])
def test_it_is_judged_by_the_meters_where_that_is_asked(text: bytes, result: Result) -> None:
    outcome = saying(text, READ, AGREES)

    said, read = both(outcome)
    assert said.result is result
    assert said.limits is not None
    assert said.limits.text == f"{read.value:.5f} V ± 2 %"
    assert (outcome.result is AttemptResult.PASSED) == (result is Result.PASS)


def test_with_nothing_read_by_the_meter_there_is_nothing_to_agree_with() -> None:
    outcome = saying(b"v33=3290\r\n", AGREES)

    assert outcome.result is AttemptResult.INCOMPLETE
    assert "3V3 by the board: the meter has not read it, so nothing can agree" in outcome.cause


def test_the_boards_word_is_no_proof_that_a_rail_stands() -> None:
    (said,) = [each for each in saying(b"v33=3290\r\n", SAYS).readings if each.aspect == BY_BOARD]

    assert not said.of_powered_point


FILE = """procedure: Console
board: {board}
steps:
  - listen: {{line: console, pattern: '(?P<v33>[0-9]+) (?P<other>[0-9]+)', units: {{v33: {unit}, other: mV}}, {more}}}
"""


@pytest.mark.parametrize(
    ("unit", "more", "words"),
    [
        ("mV", "rails: {v33: 3V4}", "the board has no rail or input called '3V4'"),
        ("mV", "rails: {v34: 3V3}", "the pattern has no group called 'v34'"),
        ("mA", "rails: {v33: 3V3}", "'v33' is read in amperes: what a rail has is volts"),
        ("mV", "rails: {v33: 3V3, other: 3V3}", "two groups of this step are readings of 3V3"),
        ("mV", "agrees: {v33: 2 %}", "it is not said of which rail 'v33' is a reading"),
        ("mV", "rails: {v33: 3V3}, agrees: {v33: 2 %}, expect: {v33: < 4 V}", "is judged by `expect` already"),
    ],
)
def test_what_does_not_fit_is_refused(
    unit: str, more: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "console.yaml"
    board = ROOT / "fixtures/boards/mooring-buoy-logger.yaml"
    path.write_text(FILE.format(board=board, unit=unit, more=more), encoding="utf-8")

    assert main(["check", str(path)]) == ExitCode.REFUSED
    assert words in " ".join(capsys.readouterr().out.split())
