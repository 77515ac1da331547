"""`study`: what logged attempts make up a crossed study, what is left out, and what is said."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.commands.study_text import study_lines
from bringup.core.crossed import Crossed, crossed
from bringup.core.gauge import MEASUREMENT, by_ranges, by_variance
from bringup.core.taken import Point, Taken
from bringup.core.words import Kind, Result
from bringup.errors import ExitCode, NoStatistic
from bringup.logbook.record import LogbookRecord
from tests.logbook_samples import NOON, add_attempt, start, volts
from tests.needs_scipy import needs_scipy

# Unit -> operator -> volts in the order read: a third repeat of one, and a unit that ben read once.
READ = {
    "MBL-0001": {"ada": [3.300, 3.301, 3.309], "ben": [3.302, 3.303]},
    "MBL-0002": {"ada": [3.320, 3.321], "ben": [3.321, 3.323]},
    "MBL-0003": {"ada": [3.280, 3.282], "ben": [3.283, 3.283]},
    "MBL-0004": {"ada": [3.290, 3.290], "ben": [3.290]},
}


@pytest.fixture(autouse=True)
def _wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sentences are looked for whole; how they are broken is a matter of the width."""
    monkeypatch.setenv("COLUMNS", "300")


@pytest.fixture(scope="module")
def logbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("study") / "bringup.db"
    minutes = 0
    with LogbookRecord.open(path, simulated=False) as record:
        for trial in range(3):
            for serial, of in READ.items():
                for name, values in of.items():
                    if trial < len(values):
                        minutes += 1
                        begin = replace(start(serial, at=NOON + timedelta(minutes=minutes)), operator=name)
                        add_attempt(record, begin, [volts(values[trial])])
    return path


def test_the_study_is_that_of_the_first_repeats_of_whole_units(
    logbook: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["study", "3V3", "--logbook", str(logbook), "--json"]) == ExitCode.PASSED
    told = json.loads(capsys.readouterr().out)

    cells = {serial: {name: values[:2] for name, values in of.items()} for serial, of in list(READ.items())[:3]}
    assert told["cells"] == cells
    assert (told["repeats"], told["readings_left_out"], told["lacking"]) == (2, 1, {"MBL-0004": ["ben"]})
    assert told["tolerance"] == pytest.approx(0.132)
    for study, expected in zip(told["studies"], (by_variance(cells, 0.132), by_ranges(cells, 0.132)), strict=True):
        (grr,) = (each for each in study["components"] if each["name"] == MEASUREMENT)
        assert grr["of_tolerance"] == pytest.approx(expected.component(MEASUREMENT).of_tolerance)


def test_the_page_says_what_was_left_out_and_what_it_comes_to(
    logbook: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["study", "3V3", "--logbook", str(logbook)]) == ExitCode.PASSED
    out = capsys.readouterr().out

    assert out.startswith("3V3 voltage: 3 real units x 2 operators x 2 repeats\n")
    assert "Left out, for not measured twice: MBL-0004 by ben." in out
    assert "Left out: 1 reading beyond the first 2" in out
    assert "By analysis of variance:" in out
    assert "of the tolerance: good (below 10)" in out
    assert "Distinct categories: " in out


def test_one_bench_makes_no_study(logbook: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["study", "3V3", "--logbook", str(logbook), "--by", "bench"]) == ExitCode.REFUSED
    assert "these were all measured by one: Corner bench" in capsys.readouterr().err


def test_appraisers_may_be_named(logbook: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["study", "3V3", "--logbook", str(logbook), "--among", "ada, ben", "--json"]) == ExitCode.PASSED
    assert len(json.loads(capsys.readouterr().out)["cells"]) == 3
    assert main(["study", "3V3", "--logbook", str(logbook), "--among", "ada,cleo"]) == ExitCode.REFUSED
    assert "no reading here is by 'cleo'\n  Readings are by: ada, ben." in capsys.readouterr().err


@needs_scipy
def test_an_interaction_that_is_kept_is_told_as_one_that_may_be() -> None:
    # F is 1.974 there with 2 and 6 degrees of freedom, which chance exceeds in 22 % of studies (scipy.stats.f.sf).
    cells = {
        "1": {"ada": [3.31282, 3.31285], "ben": [3.31285, 3.31285]},
        "2": {"ada": [3.28231, 3.28234], "ben": [3.28229, 3.28229]},
        "3": {"ada": [3.30025, 3.30029], "ben": [3.30027, 3.30025]},
    }
    study = by_variance(cells)
    point = Point("3V3", Kind.VOLTAGE, "", "measure", None)
    page = study_lines(point, "V", "operator", Crossed(cells, 2, (), 0), [study], width=None, simulated=False)

    made_up = study_lines(point, "V", "operator", Crossed(cells, 2, (), 0), [study], width=None, simulated=True)

    assert not study.pooled
    assert page[0] == "3V3 voltage: 3 real units x 2 operators x 2 repeats"
    assert made_up[0].startswith("3V3 voltage: 3 simulated units x 2")
    assert any(
        "may differ by unit (an interaction that chance makes in fewer than 25 % of studies is kept)" in line
        for line in page
    )


def test_what_lacks_is_named() -> None:
    def taken(serial: str) -> Taken:
        point = Point("3V3", Kind.VOLTAGE, "", "measure", None)
        return Taken(point, serial, serial, NOON, 3.3, "V", None, Result.RECORDED, "DMM-1")

    ada = [taken("MBL-0001"), taken("MBL-0001"), taken("MBL-0002")]
    with pytest.raises(NoStatistic, match="not measured twice: MBL-0001 by ben; MBL-0002 by ada, ben"):
        crossed({"ada": ada, "ben": [taken("MBL-0001")]})
