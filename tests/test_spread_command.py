"""What `spread` says of twenty units that climb, one of which does not belong; with scipy and without it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from statistics import mean, variance

import pytest

import bringup.core.capability
import bringup.core.distributions
import bringup.core.unit_statistics
import bringup.logbook.comparable
from bringup.commands.main import main
from bringup.errors import ExitCode
from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import NOON, add_attempt, ohms, start, volts
from tests.needs_scipy import needs_scipy

ODD = 8


@pytest.fixture(autouse=True)
def _wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sentences are looked for whole; how they are broken is a matter of the width."""
    monkeypatch.setenv("COLUMNS", "300")


def value_of(number: int) -> float:
    """From 3.30 V a millivolt more each, and 0.4 mV to and fro; one does not belong."""
    return 3.36 if number == ODD else round(3.30 + 0.001 * number + 0.0004 * (-1) ** number, 5)


@pytest.fixture(scope="module")
def logbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Units 1 to 20 in two lots; VREF moves with 3V3, 5V0 does not."""
    path = tmp_path_factory.mktemp("units") / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        for number in range(1, 21):
            value = value_of(number)
            five = Decimal("5.0") + Decimal(number * 37 % 11) / 1000
            begin = replace(start(f"MBL-{number}", at=NOON + timedelta(minutes=number)), lot=f"L{1 + number // 11}")
            first, second = volts(value), replace(volts(float(five)), point="5V0")
            add_attempt(record, begin, [first, second, replace(volts(round(2 * value, 5)), point="VREF")])
    return path


def told(logbook: Path, capsys: pytest.CaptureFixture[str], *more: str) -> str:
    assert main(["spread", "3V3", "--logbook", str(logbook), *more]) == ExitCode.PASSED
    return capsys.readouterr().out


def test_a_climb_and_an_odd_unit_are_told(logbook: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(logbook, capsys)

    assert "Over build order (serial numbers) values climb, by 1 mV a unit (Mann-Kendall; by chance alone under" in out
    assert "Far from the others (modified score beyond 3.5): MBL-8 3.36 V." in out
    assert "one beyond 3 sigma: MBL-8 3.36 V" in out
    assert "median 3.3115 V" in out  # between units 11 and 12
    assert "within limits 20 of 20 (100.0 %; 95 %: 83.9 % to 100.0 % Wilson" in out


@needs_scipy
def test_with_scipy_there_are_intervals_and_grubbs(logbook: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(logbook, capsys)
    found = json.loads(told(logbook, capsys, "--json"))

    assert "Grubbs' test, 5 %: MBL-8 3.36 V does not belong" in out
    assert "Wilson, 83.2 % to 100.0 % Clopper-Pearson" in out
    assert "scipy" not in out
    assert found["capability"]["cp"]["low"] < found["capability"]["cp"]["value"] < found["capability"]["cp"]["high"]
    assert found["missing"] == {}


def test_groups_are_put_beside_each_other_and_their_variance_is_analysed(
    logbook: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = told(logbook, capsys, "--by", "lot")
    found = json.loads(told(logbook, capsys, "--by", "lot", "--json"))["by"]

    assert "\nL1      10 " in out
    assert "\nL2      10 " in out
    # Two groups of ten: F is ten times the variance of the means over the mean of the variances.
    one, other = ([value_of(number) for number in range(first, first + 10)] for first in (1, 11))
    ratio = 10 * variance([mean(one), mean(other)]) / mean([variance(one), variance(other)])
    assert found["analysis"]["ratio"] == pytest.approx(ratio)
    assert f"Analysis of variance: F(1, 18) = {ratio:.4g}" in out
    assert [len(of) for of in found["groups"].values()] == [10, 10]


def test_one_group_has_no_analysis_and_says_why(logbook: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "No analysis of variance: an analysis of variance takes 2 groups, there is Corner bench." in told(
        logbook, capsys, "--by", "bench"
    )


def test_what_moves_with_the_rail_is_named_first(logbook: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(logbook, capsys, "--with", "*")

    assert "VREF voltage      20  +1.000" in out
    assert "moves with it" in out
    assert out.index("VREF voltage") < out.index("5V0 voltage")
    five = next(line for line in out.splitlines() if line.startswith("5V0 voltage"))
    assert "moves" not in five
    assert "so that all 2 hold together at 95 %" in out


@needs_scipy
def test_two_lots_are_compared_with_an_interval(logbook: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", "lot=L1", "lot=L2", "--logbook", str(logbook)]) == ExitCode.PASSED
    out = capsys.readouterr().out

    assert "no more than chance" in next(line for line in out.split("\n3V3 voltage")[1:])
    assert "95 %: of the difference of the means" in out


def test_without_scipy_the_page_says_what_is_left_out(
    logbook: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (bringup.core.capability, bringup.core.distributions, bringup.core.unit_statistics):
        monkeypatch.setattr(module, "special", lambda: None)

    out = told(logbook, capsys)

    assert "need scipy (pip install 'bringup[statistics]'" in out
    assert (
        ": Cp and Pp, several outliers, interval of the mean, interval of the standard deviation, Grubbs' test" in out
    )
    assert "Ppk " in out
    assert "Pp " not in out.replace("Cp and Pp,", "")


def test_what_else_was_read_is_counted_unless_of_very_many_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        for number in (1, 2):
            begin = start(f"MBL-{number}", at=NOON + timedelta(minutes=number))
            add_attempt(record, begin, [replace(ohms(), point="3V3"), volts(3.30 + number / 1000)])

    assert "Also there: 3V3 resistance (resistance) (2); ask for it with" in told(path, capsys)

    monkeypatch.setattr(bringup.logbook.comparable, "MOST_COUNTED", 1)
    many = told(path, capsys)
    assert "Also there" not in many
    assert "it is not counted what else was read: ask with --quantity" in many
