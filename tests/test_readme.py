"""The README tells the truth: every command in it runs, every file in it checks, every shipped command is in it."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from bringup.commands.main import COMMANDS, main

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
SHELL = [line for kind, block in BLOCKS if kind == "sh" for line in block.splitlines()]
SET_UP = re.compile(r"python3 -m venv \.venv && \.venv/bin/pip install -q (-e )?'?\.(\[test\])?'? && \.venv/bin/")


COMMANDS_SHOWN = [SET_UP.sub("", line) for line in SHELL]
ALONE = [line for line in COMMANDS_SHOWN if re.match(r"(bringup (check|preview|bench|off)|eval) ", line)]
"""They ask no logbook, so they need not wait for the attempt that the README begins with."""
TESTING = [line for line in COMMANDS_SHOWN if line.startswith("pytest")]
"""This is what runs us."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of what a user has beside the README."""
    made = tmp_path_factory.mktemp("readme")
    for name in ("procedures", "fixtures"):
        shutil.copytree(ROOT / name, made / name)
    return made


def test_the_first_two_blocks_are_the_two_set_up_commands_of_one_line_each() -> None:
    for kind, block in BLOCKS[:2]:
        assert kind == "sh"
        assert SET_UP.match(block)
        assert block.count("\n") == 1
    assert "bringup run " in BLOCKS[0][1]
    assert "pytest" in BLOCKS[1][1]


def test_the_job_is_told_in_one_paragraph_at_the_very_top() -> None:
    title, paragraph = TEXT.split("\n\n", 2)[:2]

    assert title == "# bringup"
    assert len(paragraph.split()) > 60


def test_the_attempt_in_the_readme_and_the_questions_about_it_are_answered(folder: Path) -> None:
    lines = [line for line in COMMANDS_SHOWN if line not in ALONE and line not in TESTING]

    assert lines[0].startswith("bringup run ")
    goes_well(lines[0], folder)
    with ThreadPoolExecutor(len(lines)) as pool:
        list(pool.map(lambda line: goes_well(line, folder), lines[1:]))


@pytest.mark.parametrize("line", ALONE)
def test_every_other_command_in_the_readme_does_what_it_is_there_for(line: str, folder: Path) -> None:
    goes_well(line, folder)


def test_the_readme_tests_with_one_command() -> None:
    assert len(TESTING) == 1


def goes_well(line: str, folder: Path) -> None:
    """Run it as a user would, in a shell."""
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    environment = {**os.environ, "PATH": path, "BRINGUP_STATE": str(folder / "state"), "PYTHONUNBUFFERED": "1"}
    done = subprocess.run(
        ["bash", "-c", line], cwd=folder, env=environment, stdin=subprocess.DEVNULL,
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, f"{line}\n{done.stdout}{done.stderr}"


FILES = [block for kind, block in BLOCKS if kind == "yaml"]


@pytest.mark.parametrize("block", FILES, ids=[block.split(":")[0] for block in FILES])
def test_every_file_in_the_readme_checks(block: str, tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(block, encoding="utf-8")

    assert main(["check", str(path)]) == 0


def test_the_procedure_in_the_readme_passes_the_preview(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(next(block for kind, block in BLOCKS if kind == "yaml"), encoding="utf-8")

    assert main(["preview", str(path)]) == 0


@pytest.mark.parametrize("command", list(COMMANDS))
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"bringup {command}" in TEXT


def test_the_pictures_are_there_small_described_and_ask_for_nothing() -> None:
    shown = re.findall(r"!\[(.*?)\]\((.*?)\)", TEXT)

    assert len(shown) >= 3
    for description, name in shown:
        picture = (ROOT / name).read_bytes()
        assert len(description) > 40
        assert len(picture) < 100_000, name
        if name.endswith(".svg"):
            assert re.findall(rb"https?://[^\"' ]+", picture) == [b"http://www.w3.org/2000/svg"], name
    assert {ROOT / name for _, name in shown} == set((ROOT / "fixtures" / "pictures").iterdir())


def test_every_link_within_the_readme_leads_to_a_heading() -> None:
    prose = re.sub(r"^```.*?^```$", "", TEXT, flags=re.MULTILINE | re.DOTALL)
    headings = re.findall(r"^#+ (.*)$", prose, re.MULTILINE)
    anchors = {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}
    links = re.findall(r"\]\(#([^)]+)\)", prose)

    assert len(links) >= 5
    assert [link for link in links if link not in anchors] == []


def test_the_fault_that_the_readme_plants_is_one_on_the_board_that_it_describes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    rails = next(block for _, block in BLOCKS if block.startswith("rail,volts,"))
    Path("buoy-lamp.csv").write_text(rails, encoding="utf-8")
    made = next(line for _, block in BLOCKS for line in block.splitlines() if line.startswith("bringup new --board"))
    assert main(shlex.split(made)[1:]) == 0
    planted = next(line for _, block in BLOCKS for line in block.splitlines() if line.startswith("simulate: {board"))
    bench = Path("buoy-lamp-simulated-bench.yaml").read_text(encoding="utf-8")
    Path("fault.yaml").write_text(re.sub("^simulate: .*", planted, bench, flags=re.MULTILINE), encoding="utf-8")

    assert main(["check", "fault.yaml", "buoy-lamp-first-power-on.yaml"]) == 0
    assert main(["rehearse", "buoy-lamp-first-power-on.yaml", "--point", "3V3"]) == 0
    assert "3V3: converter not fitted" in capsys.readouterr().out
