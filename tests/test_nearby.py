"""A file named that is not there: said so without a place in it, with what was probably meant."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.files.nearby import meant
from tests.fakes import ROOT


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "procedures").mkdir()
    for name in ("first-power-on.yaml", "recheck.yaml", "picture.jpg"):
        (tmp_path / "procedures" / name).touch()
    return tmp_path


@pytest.mark.parametrize(
    ("typed", "near"),
    [
        ("procedures/first-powr-on.yaml", "procedures/first-power-on.yaml"),
        ("procedures/First-Power-On.yaml", "procedures/first-power-on.yaml"),
        ("procedures/recheck", "procedures/recheck.yaml"),
        ("procedures/recheck.yml", "procedures/recheck.yaml"),
        ("recheck.yaml", "procedures/recheck.yaml"),
    ],
)
def test_the_file_that_was_probably_meant_is_named(folder: Path, typed: str, near: str) -> None:
    assert meant(folder / typed) == f"did you mean '{folder / near}'?"


def test_nothing_is_named_where_nothing_is_like_it(folder: Path) -> None:
    assert meant(folder / "procedures/buoy.yaml") == ""
    assert meant(folder / "elsewhere/recheck.yaml") == f"there is no folder {folder / 'elsewhere'}"


def test_a_missing_procedure_is_told_without_a_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    procedure = folder / "procedures/first-power.yaml"
    bench = ROOT / "fixtures/benches/simulated.yaml"

    code = main(["run", str(procedure), "--serial", "MBL-0001", "--bench", str(bench)])

    assert code == 2
    near = folder / "procedures/first-power-on.yaml"
    assert capsys.readouterr().err == f"{procedure}: no such file (did you mean '{near}'?)\n"


def test_in_json_a_file_as_a_whole_has_no_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(folder / "none.yaml"), "--json"]) == 2

    (problem,) = json.loads(capsys.readouterr().out)["files"][0]["problems"]
    assert (problem["message"], problem["line"], problem["column"]) == ("no such file", None, None)
