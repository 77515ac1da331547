"""The report of all figures: what is run, what is missing, what failed, and that it says so with its exit code."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.figures import SCRIPTS, main


@pytest.fixture
def beside(tmp_path: Path) -> Path:
    (tmp_path / "kills.py").write_text(
        "import sys\nprint('500 kills', sys.argv[1:])\nprint('| phase | off |\\n| --- | --- |\\n- note')\n",
        encoding="utf-8",
    )
    (tmp_path / "soak.py").write_text("import sys  # knows --short\nprint(sys.argv[1:])\n", encoding="utf-8")
    (tmp_path / "sync_order.py").write_text("import sys\nprint(sys.argv[1:])\n", encoding="utf-8")
    (tmp_path / "trips.py").write_text("import sys\nsys.exit('a reading was lost')\n", encoding="utf-8")
    return tmp_path


def test_what_a_script_prints_becomes_the_report(beside: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = beside / "report.md"

    code = main(["kills", "--short", "--beside", str(beside), "--out", str(out)])

    text = capsys.readouterr().out
    assert code == 0
    assert "| `kills.py` | the guardian: kills in every phase, and time to off | ok |" in text
    assert "```text\n500 kills ['24']\n```\n| phase | off |\n| --- | --- |\n- note" in text
    assert "short form, by `python tests/benchmarks/figures.py --short`" in text
    assert out.read_text(encoding="utf-8") == text


def test_the_full_form_is_the_default(beside: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["kills.py", "--beside", str(beside)]) == 0
    assert "500 kills []" in capsys.readouterr().out


def test_short_is_asked_for_where_it_is_known(beside: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["soak", "sync_order", "--short", "--beside", str(beside)]) == 0

    text = capsys.readouterr().out
    assert text.count("['--short']") == 1
    assert "a long attempt: memory, disk, readable meanwhile\n\n```text\n['--short']" in text


def test_one_that_fails_is_told_and_the_rest_is_run(beside: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["trips", "kills", "--beside", str(beside)])

    text = capsys.readouterr().out
    assert code == 1
    assert "| FAILED (exit code 1) |" in text
    assert "a reading was lost" in text
    assert "500 kills" in text


def test_a_missing_one_is_reported_as_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--beside", str(tmp_path)]) == 1

    text = capsys.readouterr().out
    assert text.count("| MISSING |") == len(SCRIPTS)
    assert [script.name for script in SCRIPTS] == [
        *("kills.py", "trips.py", "false_trips.py", "logbook_faults.py", "sync_order.py", "fuzz.py", "soak.py"),
    ]


def test_an_unknown_name_is_refused_with_the_known_ones(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["kill"])

    assert "no script kill; there are: kills, trips," in capsys.readouterr().err
