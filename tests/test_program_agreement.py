"""Who agrees before a procedure's programs run on this computer, and what is refused before anything is opened."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.commands import programs as agreement
from bringup.commands.main import main
from bringup.core.program import filled, listed_arguments, marker_of, pasted_marker, unfit
from bringup.errors import SafetyRefused
from bringup.files.any_file import read_any
from bringup.files.bench_file import load_bench
from bringup.files.procedure_file import load_procedure
from bringup.host.agreed import is_agreed, remember
from tests.fakes import ROOT
from tests.rig import BEFORE, BOARD, HEAD, UP, Rig, rig
from tests.test_programs import is_alive, wait_until_gone

SAYS = f"  - host_program: {{program: ['{sys.executable}', -c, 'print(6 * 7)', '{{serial}}'], contains: '42'}}\n"
SAYS_MORE = SAYS.replace("6 * 7", "42.0")
NOTE = "  - note: something else\n"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    monkeypatch.setenv("BRINGUP_CONFIG", str(tmp_path / "conf" / "bringup.yaml"))
    with rig(tmp_path) as served:
        yield served


def test_without_a_terminal_programs_are_refused_until_they_were_agreed_to(bench: Rig) -> None:
    refused = bench.run(SAYS)

    assert refused.returncode == 2
    assert f"[{sys.executable}, -c, 'print(6 * 7)', {{serial}}]" in refused.stderr
    assert "give --agree-to-programs. Nothing was opened and nothing was powered." in refused.stderr
    assert not bench.logbook.exists()

    agreed = bench.run(SAYS, "--agree-to-programs")
    assert (agreed.returncode, "agreed to by --agree-to-programs" in agreed.stderr) == (0, True)
    assert bench.run(SAYS).returncode == 2, "no person agreed, so nothing is remembered"
    assert not (bench.folder / "conf" / "agreed-programs.json").exists()


def test_what_a_person_agreed_to_holds_for_these_programs_at_this_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BRINGUP_CONFIG", str(tmp_path / "bringup.yaml"))
    (tmp_path / "board.yaml").write_text(BOARD, encoding="utf-8")
    real = ROOT / "fixtures/benches/corner-bench.yaml"
    mine = tmp_path / "bench.yaml"
    simulated = (ROOT / "fixtures/benches/simulated.yaml").read_text(encoding="utf-8")
    mine.write_text(simulated.replace("../boards", str(ROOT / "fixtures/boards")), encoding="utf-8")

    def agrees(steps: str, *, person: bool = False) -> bool:
        (tmp_path / "p.yaml").write_text(HEAD + steps, encoding="utf-8")
        procedure = load_procedure(tmp_path / "p.yaml")
        files = agreement.program_files(procedure)
        try:
            agreement.require_agreement(procedure, load_bench(mine), files, person=person, option=person)
        except SafetyRefused:
            return False
        return True

    assert agrees(SAYS, person=True)
    assert agrees(NOTE + SAYS), "another step asks nobody again"
    assert not agrees(SAYS_MORE), "another argument does"
    assert not agrees(SAYS + SAYS), "and so does another program"
    mine.write_text(real.read_text(encoding="utf-8"), encoding="utf-8")
    assert not agrees(SAYS), "under the same path is a real bench now"
    kept = json.loads((tmp_path / "agreed-programs.json").read_text(encoding="utf-8"))
    assert [(name, len(hashes)) for name, hashes in kept.items()] == [(f"simulated {mine}", 1)]


def test_a_real_bench_is_agreed_to_at_a_terminal_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_CONFIG", str(tmp_path / "bringup.yaml"))
    (tmp_path / "board.yaml").write_text(BOARD, encoding="utf-8")
    (tmp_path / "p.yaml").write_text(HEAD + SAYS, encoding="utf-8")
    procedure, real = load_procedure(tmp_path / "p.yaml"), load_bench(ROOT / "fixtures/benches/corner-bench.yaml")
    files = agreement.program_files(procedure)

    with pytest.raises(SafetyRefused, match="run it once from a terminal and agree there"):
        agreement.require_agreement(procedure, real, files, person=False, option=True)

    monkeypatch.setattr("click.confirm", lambda *_, **__: False)
    with pytest.raises(SafetyRefused, match="were not agreed to"):
        agreement.require_agreement(procedure, real, files, person=True, option=False)
    monkeypatch.setattr("click.confirm", lambda *_, **__: True)
    agreement.require_agreement(procedure, real, files, person=True, option=False)
    agreement.require_agreement(procedure, real, files, person=False, option=False)


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a POSIX thing")
@pytest.mark.parametrize(("typed", "code"), [("y\n", 0), ("\n", 2), ("\x04", 3)])
def test_a_person_at_the_terminal_is_asked_once(typed: str, code: int, bench: Rig) -> None:
    from tests.test_terminal_session import Session

    first = Session(bench.run_arguments(SAYS), bench.folder, bench.environment)
    first.expect("Run exactly these")
    first.press(typed)
    assert first.end() == code
    if code == 0:
        second = Session(bench.run_arguments(SAYS), bench.folder, bench.environment)
        second.expect("PASSED")
        assert second.end() == 0
        assert "Run exactly these" not in second.seen


def test_a_missing_program_or_file_is_found_by_check_and_by_run(bench: Rig, capsys: pytest.CaptureFixture[str]) -> None:
    steps = NOTE + "  - host_program: {program: [no-such-flasher], loads: nothing.bin}\n"
    path = bench.procedure(steps)

    assert main(["check", str(path)]) == 2
    said = capsys.readouterr().out
    assert f"{path}:5:5: no program 'no-such-flasher' in the folders of PATH" in said
    assert f"no file {bench.folder / 'nothing.bin'}, which the program is to load" in said
    path = bench.procedure(NOTE + "  - host_program: {program: [python3], version: '1.4.2'}\n")
    assert main(["check", str(path)]) == 2
    assert "a version of nothing: `loads` names no file" in capsys.readouterr().out
    ran = bench.run(steps, "--agree-to-programs")
    assert (ran.returncode, "no-such-flasher" in ran.stderr, bench.logbook.exists()) == (2, True, False)


@pytest.mark.parametrize(
    ("action", "says"),
    [
        ("{program: flasher --port x}", "found 'flasher --port x', expected a list"),
        ("[flasher, '--serial={serial}']", r"{serial} stands inside an argument, and is never pasted into one"),
        ("[flasher, '{serail}']", "{serail} stands for nothing here"),
        ("['{serial}']", "{serial} stands for nothing here"),
        ("[flasher, '{loads}']", "{loads} without a file in `loads`"),
        ("[' ']", "the program has no name"),
        ("{program: [flasher], exit_code: -1}", "'-1' is not"),
        ("{program: [flasher], shell: yes}", "shell"),
    ],
)
def test_a_program_written_wrongly_is_refused_at_its_place(action: str, says: str, tmp_path: Path) -> None:
    (tmp_path / "board.yaml").write_text(BOARD, encoding="utf-8")
    path = tmp_path / "p.yaml"
    path.write_text(f"{HEAD}  - host_program: {action}\n", encoding="utf-8")

    read = read_any(path)

    assert read.holds is None
    assert says in str(read.problems[0])
    assert read.problems[0].line == 4


# The law of arguments: each stays one, whatever it holds.

_VALUES = {"serial": "S", "attempt": "A", "board_state": "B", "loads": "L"}


@settings(deadline=None)
@given(st.lists(st.text(max_size=12), min_size=1, max_size=6), st.text(max_size=12))
def test_filling_in_never_joins_nor_splits_arguments(arguments: list[str], serial: str) -> None:
    program = ("flasher", *(one for one in arguments if marker_of(one) is None), "{serial}")

    given_out = filled(program, {**_VALUES, "serial": serial})

    assert given_out == (*program[:-1], serial)
    assert bool(unfit(program, {**_VALUES, "serial": serial})) == (
        not serial or serial.startswith("-") or "\0" in serial
    )
    assert listed_arguments(program).isprintable()


def test_only_whole_known_markers_are_markers() -> None:
    assert [marker_of(text) for text in ("{serial}", "{serial}x", "{}", "{{serial}}")] == ["serial", None, None, None]
    assert [pasted_marker(text) for text in ("{serial}", "a{serial}", "a{x}")] == [None, "serial", None]


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is a POSIX thing")
def test_a_running_program_does_not_hide_the_death_of_the_tool(bench: Rig) -> None:
    code = 'import os, time; open("pid", "w").write(str(os.getpid())); time.sleep(60)'
    steps = BEFORE + UP + f"  - host_program: ['{sys.executable}', -c, '{code}']\n"
    tool = bench.start(steps, "--agree-to-programs")
    until = time.monotonic() + 60
    while not (bench.folder / "pid").exists() or not (bench.folder / "pid").read_text(encoding="ascii"):
        assert time.monotonic() < until, "the program never began"
        time.sleep(0.01)  # nothing tells when another process has written
    assert bench.output_is_on()

    pid = int((bench.folder / "pid").read_text(encoding="ascii"))
    tool.kill()
    try:
        killed = time.monotonic()
        while bench.output_is_on():
            assert is_alive(pid) or not bench.output_is_on(), "the program was ended with the output on"
            assert time.monotonic() - killed < 60, "it stayed on"
            time.sleep(0.005)  # the guardian tells nobody here
        wait_until_gone(pid)
    finally:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
        tool.communicate(timeout=60)
    until, cause = time.monotonic() + 60, None
    while not cause:
        assert time.monotonic() < until, "the guardian kept nothing"
        time.sleep(0.01)  # it tells nobody here
        # Whoever opens it for writing closes what a dead process left open, with words of its own.
        with closing(sqlite3.connect(bench.logbook)) as connection:
            (cause,) = connection.execute("SELECT cause FROM attempts").fetchone()
    assert cause.endswith(
        f"every output is OFF, verified by asking; the program that was under way (process {pid}) was ended"
    )


def test_help_says_where_agreements_are_kept_and_deleting_one_withdraws_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BRINGUP_CONFIG", str(tmp_path / "bringup.yaml"))
    assert main(["run", "--help"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert f"kept in {agreement.AGREED} beside bringup.yaml" in said
    assert "delete the bench's entry, or the file, to withdraw it" in said

    file, here, there = agreement.agreed_file(), tmp_path / "here.yaml", tmp_path / "there.yaml"
    for each in (here, there):
        remember(file, each, [["tool"]], simulated=False)
    known = json.loads(file.read_text("utf-8"))
    file.write_text(json.dumps({name: hashes for name, hashes in known.items() if "/here" not in name}), "utf-8")

    assert not is_agreed(file, here, [["tool"]], simulated=False)
    assert is_agreed(file, there, [["tool"]], simulated=False)
