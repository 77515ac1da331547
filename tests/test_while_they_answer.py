"""The logbook is opened while the instruments say who they are; where it cannot be, they have heard nothing else."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from tests.fakes import ROOT
from tests.scripted_server import HANG_UP, ScriptedServer, answering


def run(folder: Path, logbook: Path, supply: ScriptedServer, meter: ScriptedServer) -> tuple[int, str]:
    """Run with these two; return exit code and complaint."""
    bench = folder / "bench.yaml"
    bench.write_text(
        f"bench: Listening bench\nsupply: {{resource: '{supply.resource}', dialect: select-by-number, "
        f"outputs: {{VIN: 1}}}}\nmeter: {{resource: '{meter.resource}', dialect: configure-and-read}}\n"
    )
    arguments = ["run", str(ROOT / "procedures/first-power-on.yaml"), "--serial", "MBL-0001"]
    done = subprocess.run(
        [sys.executable, "-m", "bringup", *arguments, "--bench", str(bench), "--logbook", str(logbook)],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    return done.returncode, done.stderr


def test_the_logbook_is_opened_while_an_instrument_takes_its_time_to_answer(tmp_path: Path) -> None:
    logbook = tmp_path / "bringup.db"
    there: list[bool] = []

    def slow(_connection: int, _line: str) -> bytes:
        give_up = time.monotonic() + 60.0
        while not logbook.exists() and time.monotonic() < give_up:
            time.sleep(0.005)
        there.append(logbook.exists())
        return HANG_UP

    with ScriptedServer(slow) as supply, ScriptedServer(answering({})) as meter:
        code, said = run(tmp_path, logbook, supply, meter)

    assert there
    assert all(there)
    assert code == 2
    assert f"supply at {supply.resource}" in said
    assert "Nothing was powered." in said


def test_a_file_that_is_no_logbook_is_refused_when_instruments_have_heard_who_are_you_and_no_more(
    tmp_path: Path,
) -> None:
    logbook = tmp_path / "notes.txt"
    logbook.write_text("Not a database, and never was.\n" * 100)

    with ScriptedServer(answering({})) as supply, ScriptedServer(lambda _connection, _line: b"") as meter:
        code, said = run(tmp_path, logbook, supply, meter)

    assert code == 2
    assert "it is not a SQLite file" in said
    assert set(supply.lines) <= {"*IDN?"}
    assert set(meter.lines) <= {"*IDN?"}, "which takes its time to answer: nobody waits for that"
    assert logbook.read_text().startswith("Not a database")


def test_a_place_where_no_logbook_can_be_is_refused_before_any_instrument_hears_of_it(tmp_path: Path) -> None:
    with ScriptedServer(answering({})) as supply, ScriptedServer(answering({})) as meter:
        code, said = run(tmp_path, tmp_path / "nowhere" / "bringup.db", supply, meter)

    assert code == 2
    assert "there is no folder" in said
    assert (supply.connections, meter.connections) == (0, 0)
