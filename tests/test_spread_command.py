"""What `spread` says of twenty units that climb, one of which does not belong; with scipy and without it."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest

import bringup.core.capability
import bringup.core.distributions
import bringup.core.unit_statistics
from bringup.commands.main import main
from bringup.errors import ExitCode
from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import NOON, add_attempt, start, volts
from tests.needs_scipy import needs_scipy

ODD = 8


@pytest.fixture(scope="module")
def logbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Units 1 to 20: from 3.30 V a millivolt more each, and 0.4 mV to and fro; unit 8 reads 3.36 V."""
    path = tmp_path_factory.mktemp("units") / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        for number in range(1, 21):
            value = 3.36 if number == ODD else 3.30 + 0.001 * number + 0.0004 * (-1) ** number
            add_attempt(record, start(f"MBL-{number}", at=NOON + timedelta(minutes=number)), [volts(round(value, 5))])
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
