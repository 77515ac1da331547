"""`bringup report --lot`: yield with its interval, failures ranked, spread of every rail, where each unit stands."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from bringup.commands import report
from bringup.commands.main import main
from bringup.commands.report_lot import Failure
from bringup.commands.report_spreads import spread_of
from bringup.core.taken import Point, Taken
from bringup.core.words import AttemptResult, Kind, Result
from bringup.core.yields import wilson
from bringup.errors import ExitCode
from bringup.logbook.filters import Filters
from bringup.logbook.queries import attempts
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.whole_lot import whole_lot
from tests.logbook_samples import LIMITS_3V3, NOON, add_attempt, ohms, start, volts
from tests.test_report import Page, outside

Run = Callable[..., tuple[int, str, str]]
LOW = ("MBL-0004", "MBL-0009")


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("lot") / "bringup.db"
    with LogbookRecord.open(made, simulated=False) as record:
        for number in range(1, 13):
            begin = start(f"MBL-{number:04}", at=NOON + timedelta(hours=number))
            value = 2.9 if begin.serial in LOW else 3.29 + number / 1000
            shorted = number == 7
            readings = [ohms(result=Result.FAIL)] if shorted else [ohms(), volts(value)]
            good = begin.serial not in LOW and not shorted
            cause = (
                ""
                if good
                else "3V3 is shorted by 2.1 Ω"
                if shorted
                else f"3V3 reads {value - number / 100:.3f} V <too low>"
            )
            result = AttemptResult.PASSED if good else AttemptResult.FAILED
            add_attempt(record, begin, readings, result=result, cause=cause)
        add_attempt(record, start("MBL-0004", at=NOON + timedelta(days=2)), [ohms(), volts(3.3)])
        add_attempt(record, start("MBL-0001", at=NOON + timedelta(days=3), simulated=True), [volts(3.9)])
        for serial, board in (("TG-0001", "Tide gauge"), ("MBL-0050", "Mooring buoy logger")):
            add_attempt(record, replace(start(serial), lot="mixed", board=board), [volts()])
    return made


@pytest.fixture
def run(path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: str) -> tuple[int, str, str]:
        code = main(["report", *arguments, "--logbook", str(path)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return command


def test_the_page_of_a_lot_tells_yield_failures_spread_and_units(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(report, "library", lambda: None)
    out = tmp_path / "lot.html"
    code, said, err = run("--lot", "L1", "--out", str(out))
    assert code == ExitCode.PASSED, err
    page = Page(out.read_text(encoding="utf-8"))
    low, high = (f"{100 * end:.1f} %" for end in wilson(9, 12))

    assert "lot L1, 12 units" in said
    for told in (
        f"First power-on: first-attempt yield 75.0 % (95 %: {low} to {high})",
        *("3V3 voltage2 of 11", "3V3 resistance (resistance)1 of 12", "MBL-0004, MBL-0009", "shorted by 2.1 Ω"),
        *(
            "3V3 reads ... V <too low>",
            "limits 3.3 V ± 2 %: 2 of 11 out of them",
            "far from the others: MBL-0004 2.9 V",
        ),
        "3V3 voltage 2.900 V, limits 3.3 V ± 2 %: fail",
    ):
        assert told in page.text, told
    assert "ResultWhat failed lastDecidedSince" in "".join(page.text.split("Where each unit stands")[1].splitlines()), (
        "first what is looked for, where a narrow screen shows little more"
    )
    assert page.text.index("3V3 voltage2 of 11") < page.text.index("3V3 resistance (resistance)1 of 12")
    assert "SIMULATED" not in page.text
    assert page.faults == page.open == []
    assert outside(page, "") == []
    assert "Curves are left out" in err


def test_a_lot_counts_first_attempts_and_real_units_where_there_are_some(path: Path) -> None:
    real = read(path, lambda connection: whole_lot(connection, Filters(lot="L1")))
    simulated = read(path, lambda connection: whole_lot(connection, Filters(lot="L1", simulated=True)))
    (yielded,) = real.yields

    assert (yielded.found.passed_first, yielded.found.judged, yielded.found.passed_last) == (9, 12, 10)
    assert real.causes == {
        "3V3 reads ... V <too low>": ["MBL-0004", "MBL-0009"],
        "3V3 is shorted by 2.1 Ω": ["MBL-0007"],
    }
    assert not real.simulated
    assert simulated.simulated
    assert [unit.last.serial for unit in simulated.units] == ["MBL-0001"]
    first = {each.serial: each.value for point, of in real.values.items() if str(point) == "3V3 voltage" for each in of}
    assert first["MBL-0004"] == 2.9, "not what it read after the rework"


def taken(serial: str, value: float, hours: int) -> Taken:
    point = Point("3V3", Kind.VOLTAGE, "", "measure", None)
    result = Result.PASS if LIMITS_3V3.accepts(value) else Result.FAIL
    at = NOON + timedelta(hours=hours)
    return Taken(point, serial, serial, at, value, "V", LIMITS_3V3, result, "meter")


def test_a_capability_never_comes_without_its_interval() -> None:
    values = [3.28, 3.31, 3.29, 3.30, 3.32]
    spread = spread_of(taken("x", 1, 0).point, [taken(f"{n}", v, n) for n, v in enumerate(values)], None, 1)

    assert spread.capability is not None
    assert spread.capability.ppk.low < spread.capability.ppk.value < spread.capability.ppk.high
    assert f"({spread.capability.ppk.low:.2f} to {spread.capability.ppk.high:.2f})" in spread.index
    assert [line for line in spread.lines if line.startswith("Ppk")] == [f"Ppk {spread.index} (95 % interval)"]
    one = spread_of(spread.point, [taken("1", 3.3, 1)], None, 1)
    assert one.index == ""


def test_a_picture_has_every_unit_and_both_limits() -> None:
    matplotlib = pytest.importorskip("matplotlib.figure", reason="pictures need the extra 'report'")
    of = [taken(f"{n}", 3.28 + n / 100, n) for n in range(10)]
    spread = spread_of(of[0].point, of, matplotlib.Figure, 3)
    picture = str(spread.drawn)

    assert spread.failed == ("9",)
    assert len(re.findall(r"<use [^>]*stroke: #3f6f97", picture)) == 9, "a dot for each unit within"
    assert len(re.findall(r"<use [^>]*stroke: #a00018", picture)) == 1, "a cross for the one that is not"
    assert picture.count("stroke-dasharray: ") == 4, "two limits in each of two panels"
    assert "dashed: limits" in picture
    assert picture.startswith("<svg")
    assert "crosses missed their limits" in picture


def test_failures_name_the_first_units() -> None:
    failure = Failure("3V3 voltage", tuple(f"U{n}" for n in range(12)), 24)

    assert failure.named == "U0, U1, U2, U3, U4, U5, U6, U7, U8, U9 and 2 more"
    assert failure.share.startswith("50.0 % (")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--lot", "L9"), "no lot 'L9' is in this logbook"),
        (("--lot", "mixed"), "lot mixed has units of several boards: Mooring buoy logger, Tide gauge"),
        (("MBL-0001", "--lot", "L1"), "one unit, one attempt or one lot"),
        ((), "one unit, one attempt or one lot"),
        (("MBL-0001", "--board", "x"), "go with --lot only"),
    ],
)
def test_what_cannot_be_reported_is_refused(run: Run, tmp_path: Path, arguments: tuple[str, ...], message: str) -> None:
    code, _, err = run(*arguments, "--out", str(tmp_path / "lot.html"))

    assert code == ExitCode.REFUSED
    assert message in err
    assert list(tmp_path.iterdir()) == []


def test_the_last_hash_stands_on_the_page_as_an_anchor(run: Run, path: Path, tmp_path: Path) -> None:
    run("--lot", "L1", "--out", str(tmp_path / "lot.html"))
    page = Page((tmp_path / "lot.html").read_text(encoding="utf-8"))

    (anchor,) = re.findall(r"Anchor of the logbook: ([0-9a-f]{64})", page.text)

    assert main(["audit", "--logbook", str(path), "--anchor", anchor]) == ExitCode.PASSED
    of_lot = read(path, lambda connection: attempts(connection, Filters(lot="L1", simulated=False)))
    assert anchor == max(of_lot, key=lambda each: each.started).anchor, "of the attempt that was made last"
