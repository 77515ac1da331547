"""A calibration that runs out: pointed out before, and after it a warning or a refusal, as the bench file says."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.commands.before_opening import check_calibration
from bringup.commands.bench_text import InstrumentFound, instrument_data, instrument_lines
from bringup.commands.main import main
from bringup.core.calibration import CalibrationRule, calibration
from bringup.core.procedure import Note, Step
from bringup.errors import SafetyRefused
from bringup.files.bench_file import load_bench
from tests.fakes import FIRST_POWER_ON, simulated_bench, with_steps
from tests.served_bench import BENCHES, served_bench

TODAY = date(2026, 11, 3)


@given(st.dates(), st.dates(), st.integers(0, 3660))
def test_it_never_gets_better_as_days_pass(due: date, today: date, warn: int) -> None:
    order = ("valid", "due soon", "overdue")
    after = today if today == date.max else today + timedelta(days=1)
    assert order.index(calibration(due, today, warn)) <= order.index(calibration(due, after, warn))


@pytest.mark.parametrize(
    ("due", "says"),
    [
        (date(2026, 11, 2), "WARNING: calibration was due 2026-11-02, 1 day ago"),
        (date(2026, 11, 3), "WARNING: calibration due 2026-11-03, today"),
        (date(2026, 11, 10), "WARNING: calibration due 2026-11-10, in 7 days"),
        (date(2026, 11, 11), "calibration due 2026-11-11"),
    ],
)
def test_the_warning_begins_so_many_days_before(due: date, says: str) -> None:
    found = InstrumentFound("meter", resource="X", dialect="D", calibration_due=due, warn_days=7)

    assert f"  {says}" in instrument_lines(found, TODAY)
    assert (instrument_data(found, TODAY)["calibration"] == "valid") is not says.startswith("WARNING")


def test_the_bench_file_chooses_and_otherwise_it_is_a_warning_from_30_days_before(tmp_path: Path) -> None:
    file = tmp_path / "bench.yaml"
    file.write_text("bench: B\ncalibration: {warn_days: 7, overdue: refuse}\nmeter: by hand\n", encoding="utf-8")

    assert load_bench(file).calibration == CalibrationRule(7, refuse=True)
    assert load_bench(BENCHES / "corner-bench.yaml").calibration == CalibrationRule(30, refuse=False)


def test_only_an_overdue_instrument_of_a_bench_that_says_so_is_refused() -> None:
    bench = load_bench(BENCHES / "corner-bench.yaml")
    strict = replace(bench, calibration=CalibrationRule(refuse=True))
    due = date(2027, 3, 1)

    check_calibration(bench, due + timedelta(days=100))
    check_calibration(strict, due)
    with pytest.raises(SafetyRefused, match="the supply's calibration was due 2027-03-01, 1 day ago; the meter's"):
        check_calibration(strict, due + timedelta(days=1))


def test_run_refuses_an_overdue_instrument_before_anything_is_opened(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "bench.yaml"
    text = (BENCHES / "corner-bench.yaml").read_text(encoding="utf-8")
    text = text.replace("192.0.2.1", "127.0.0.1").replace("2027-03-01", "2020-01-31")
    file.write_text(f"{text}calibration: {{overdue: refuse}}\n", encoding="utf-8")
    logbook = tmp_path / "log.db"
    wanted = ["--serial", "MBL-0001", "--bench", str(file), "--logbook", str(logbook)]

    code = main(["run", str(FIRST_POWER_ON), *wanted])

    said = capsys.readouterr().err
    assert code == 2
    assert "calibration was due 2020-01-31" in said
    assert "Nothing was opened and nothing was powered." in said
    assert not logbook.exists()


def test_bench_shows_everybody_and_refuses_then(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with served_bench(tmp_path, supply="outputs: {VIN: 1}, calibration_due: 2020-01-31") as bench:
        text = bench.file.read_text(encoding="utf-8")
        bench.file.write_text(f"{text}calibration: {{overdue: refuse}}\n", encoding="utf-8")
        assert main(["bench", "--bench", str(bench.file)]) == 2
    said = capsys.readouterr()
    assert "WARNING: calibration was due 2020-01-31" in said.out
    assert "METER-1" in said.out
    assert "the bench file says `overdue: refuse`" in said.err


@pytest.mark.parametrize(("days", "says"), [(-1, "was due on"), (10, "is due on"), (31, "")])
def test_an_attempt_keeps_what_is_overdue_or_soon_will_be(days: int, says: str) -> None:
    bench = simulated_bench(with_steps(Step(0, Note("nothing to do"))))
    assert bench.bench.meter is not None
    due = bench.clock.utc().date() + timedelta(days=days)
    bench.meter._role = replace(bench.bench.meter, calibration_due=due)  # type: ignore[attr-defined]

    bench.run()

    said = [text for kind, text, _ in bench.record.events if kind == "calibration"]
    assert said == ([f"meter: its calibration {says} {due.isoformat()}"] if says else [])
