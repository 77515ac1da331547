"""`bringup run` as a whole: a real process, real sockets, a real logbook; the power stage looked at afterwards."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.core.faults import Fault, FaultKind
from bringup.runner.emergency import READ_WITHIN
from bringup.simulation.manners import Manners
from tests.fakes import ROOT
from tests.rig import BEFORE, SERIAL, UP, Rig, Said, interrupt, rig, wait_for

MEASURE = "  - measure: [VIN, 3V3]\n"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Rig]:
    with rig(tmp_path) as made:
        yield made


def refused(bench: Rig, done: Said, *words: str) -> None:
    """Exit code 2, the words said, nothing powered, no traceback."""
    assert done.returncode == 2, done.stdout + done.stderr
    for word in words:
        assert word in done.stderr
    assert "Traceback" not in done.stderr
    assert not bench.output_is_on()


def test_a_sound_unit_passes_and_every_reading_is_in_the_logbook(bench: Rig) -> None:
    done = bench.run(BEFORE + UP + MEASURE + "  - power_off: {discharged_below: 1 V}\n")

    assert done.returncode == 0, done.stdout + done.stderr
    assert "PASSED (SIMULATED)" in done.stdout
    assert not bench.output_is_on()
    (attempt,) = bench.asked("attempts", "--serial", SERIAL)
    assert (attempt["result"], attempt["simulated"]) == ("passed", True)
    (rail,) = bench.asked("readings", "--serial", SERIAL, "--rail", "3V3", "--quantity", "voltage", "--result", "pass")[
        -1:
    ]
    assert rail["value"] == pytest.approx(3.3, rel=0.02)
    assert (rail["unit"], rail["low"], rail["high"]) == ("V", 3.234, 3.366)
    assert rail["input_volts"] == pytest.approx(24, rel=0.01)


def test_a_missed_limit_fails_the_unit(tmp_path: Path) -> None:
    with rig(tmp_path, faults=[Fault("12V0", FaultKind.LOWER_VALUE, 9100.0)]) as bench:
        done = bench.run(UP + "  - measure: [12V0]\n")

        assert done.returncode == 1
        assert "FAILED (SIMULATED): step 2" in done.stdout
        assert not bench.output_is_on()
        assert bench.asked("attempts")[0]["result"] == "failed"


def test_a_short_is_found_at_one_volt(tmp_path: Path) -> None:
    with rig(tmp_path, faults=[Fault("VIN", FaultKind.SHORTED_THROUGH, 1.0)]) as bench:
        done = bench.run(UP)

        assert done.returncode == 1, done.stdout
        assert "short check" in done.stdout
        assert not bench.output_is_on()


@pytest.mark.parametrize(
    ("steps", "words"),
    [
        (UP.replace("24 V", "34 V"), ("34 V", "procedure.yaml:4:5")),
        (UP.replace("18 V", "15 V"), ("15 V", "procedure.yaml:4:5")),
        (UP.replace("400 mA", "2 A"), ("2 A", "1 A", "procedure.yaml:4:5")),
        (UP.replace("VIN", "VNI"), ("VNI", "VIN")),
    ],
    ids=[
        "above what damages the board",
        "a rest below the lowest working voltage",
        "above the ceiling",
        "no such input",
    ],
)
def test_a_dangerous_procedure_is_refused_before_anything_is_opened(
    tmp_path: Path, steps: str, words: tuple[str, ...]
) -> None:
    with rig(tmp_path, more=", ceiling: {voltage: 36 V, current: 1 A}") as bench:
        refused(bench, bench.run(steps), *words)
        assert not bench.logbook.exists()


def test_one_switch_for_several_inputs_is_refused_before_anything_is_opened(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fixtures = ROOT / "fixtures"
    each = (ROOT / "bringup/instruments/dialects/select-by-number.yaml").read_text(encoding="utf-8")
    dialect = each.replace("output_scope: each", "output_scope: all").replace("select-by-number", "one-switch")
    (tmp_path / "one-switch.yaml").write_text(dialect, encoding="utf-8")
    text = (fixtures / "benches/simulated-tide-gauge.yaml").read_text(encoding="utf-8")
    board = fixtures / "boards/tide-gauge.yaml"
    text = text.replace("../boards/tide-gauge.yaml", str(board)).replace("select-by-number", "one-switch")
    bench, procedure = tmp_path / "bench.yaml", tmp_path / "procedure.yaml"
    bench.write_text(text, encoding="utf-8")
    procedure.write_text(f"procedure: Leads\nboard: {board}\nsteps:\n  - leads: VIN\n", encoding="utf-8")

    code = main(["run", str(procedure), "--serial", "TG-001", "--bench", str(bench), "--logbook", str(tmp_path / "l")])

    assert code == 2
    assert "one switch serves every output of the supply" in capsys.readouterr().err
    assert not (tmp_path / "l").exists()


def test_a_serial_number_of_another_form_is_refused(bench: Rig) -> None:
    refused(bench, bench.run(UP, serial="MBL-12"), "MBL-12", "MBL-[0-9]{4}")


def test_an_instrument_that_is_not_there_is_named(bench: Rig) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    text = bench.bench.read_text(encoding="utf-8")
    bench.bench.write_text(text.replace(bench.server.resource("meter"), f"TCPIP0::127.0.0.1::{port}::SOCKET"))

    refused(bench, bench.run(UP), f"meter at TCPIP0::127.0.0.1::{port}::SOCKET", "Nothing was powered")


def test_another_model_than_the_bench_file_says_is_refused(tmp_path: Path) -> None:
    with rig(tmp_path, more=", expect: {model: SUPPLY-9}") as bench:
        refused(bench, bench.run(UP), "SUPPLY-9", "SUPPLY-3")


def test_an_instrument_that_accepts_and_stays_silent_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bringup.instruments.opening.POWER_UP", 0.5)
    monkeypatch.setattr("bringup.instruments.opening.TELL_AFTER", 0.2)
    with rig(tmp_path, supply=Manners(silent_after=0)) as bench:
        refused(bench, bench.run(UP), "supply at TCPIP0::127.0.0.1", "it may be starting up", "does not answer *IDN?")


def test_a_supply_that_falls_silent_is_reached_again_and_switched_off(tmp_path: Path) -> None:
    with rig(tmp_path, supply=Manners(silent_after=200)) as bench:
        done = bench.run(UP + "  - dwell: 30 s\n")

        assert done.returncode == 3, done.stdout
        assert "BROKEN OFF (SIMULATED): the supply did not answer 2 looks in a row" in done.stdout
        assert not bench.output_is_on()
        (attempt,) = bench.asked("attempts")
        assert (attempt["result"], attempt["off_verified"]) == ("broken off", True)
        assert bench.asked("readings", "--serial", SERIAL)


LITTLE_PATIENCE = """
import runpy
from dataclasses import replace
from bringup.instruments import opening
usual = opening.wire_of
opening.wire_of = lambda *given, **named: replace(usual(*given, **named), recovery=0.3)
runpy.run_module("bringup", run_name="__main__", alter_sys=True)
"""
"""The program itself, but a link that is refused again and again is given up sooner."""


def test_a_supply_that_is_gone_for_good_ends_in_large_words(bench: Rig) -> None:
    process = bench.start(UP + "  - dwell: 60 s\n", program=("-c", LITTLE_PATIENCE))
    wait_for(process, "step 2")

    bench.server.stop()
    said, shown = wait_for(process, "tried again and again"), time.monotonic()
    os.kill(process.pid, signal.SIGTERM)
    enough = threading.Event()

    def press() -> None:
        """An impatient hand: what comes before the words could be read ends nothing."""
        while not enough.wait(0.2):
            os.kill(process.pid, signal.SIGINT)

    hand = threading.Thread(target=press)
    hand.start()
    try:
        said += wait_for(process, "the person ended the trying")
        lasted = time.monotonic() - shown
    finally:
        enough.set()
        hand.join()
    assert process.stdout is not None
    with process.stdout:
        said += process.stdout.read()
    process.wait(60)

    assert process.returncode == 3
    assert lasted > READ_WITHIN - 0.1
    assert "the person ended the trying (Ctrl-C)" in said
    assert said.count("OUTPUT STATE UNKNOWN: USE THE SWITCH ON THE SUPPLY, NOW") == 2, "at once, and above the result"
    (attempt,) = bench.asked("attempts")
    assert (attempt["result"], attempt["off_verified"]) == ("broken off", False)


def test_a_supply_whose_connection_drops_is_reached_again_and_switched_off(tmp_path: Path) -> None:
    with rig(tmp_path, supply=Manners(drop_after=60)) as bench:
        done = bench.run(UP + "  - dwell: 20 s\n")

        assert done.returncode in {0, 3}, done.stdout
        assert not bench.output_is_on()


def test_garbage_from_the_meter_never_becomes_a_number(tmp_path: Path) -> None:
    with rig(tmp_path, meter=Manners(garbage_after=9)) as bench:
        done = bench.run(UP + MEASURE)

        assert "no answer in time" in done.stdout
        assert not bench.output_is_on()
        for reading in bench.asked("readings", "--quantity", "voltage"):
            low, high = {"VIN": (0.9, 24.1), "12V0": (11.6, 12.4), "3V3": (3.2, 3.4)}[reading["rail"]]
            assert reading["value"] is None or low < reading["value"] < high


def test_an_output_found_on_is_switched_off_before_anything_else(bench: Rig) -> None:
    with bench.server.world:
        now = bench.server.now()
        bench.simulated.world.set_voltage(1, 5.0, now)
        bench.simulated.world.switch(1, True, now)

    done = bench.run(UP + MEASURE)

    assert done.returncode == 0, done.stdout + done.stderr
    assert "found on" in done.stdout
    assert not bench.output_is_on()


LOG = "  - log: {what: [VIN current, 3V3], for: 60 s, every: 100 ms}\n"


@pytest.mark.parametrize(
    ("number", "step"),
    [
        (signal.SIGINT, LOG),
        (signal.SIGTSTP, LOG),
        (signal.SIGTSTP, "  - dwell: 60 s\n"),
        (signal.SIGTERM, "  - dwell: 60 s\n"),
        (signal.SIGHUP, "  - dwell: 60 s\n"),
    ],
    ids=["Ctrl-C in a log", "Ctrl-Z in a log", "Ctrl-Z in a dwell", "SIGTERM in a dwell", "hang-up in a dwell"],
)
def test_a_signal_switches_off_and_keeps_what_was_read(bench: Rig, number: signal.Signals, step: str) -> None:
    process = bench.start(UP + step)
    said = wait_for(process, "step 2")
    assert bench.output_is_on()

    said += interrupt(process, number)

    assert process.returncode == 3, said
    assert not bench.output_is_on()
    (attempt,) = bench.asked("attempts")
    assert attempt["result"] in {"called off", "broken off"}
    assert len(bench.asked("readings", "--serial", SERIAL)) > 5


def test_two_attempts_on_the_same_instruments_the_second_is_refused(bench: Rig) -> None:
    first = bench.start(UP + "  - dwell: 60 s\n")
    wait_for(first, "step 2")

    second = bench.run(UP)

    assert second.returncode == 2
    assert f"`bringup run` on {SERIAL} (process {first.pid})" in second.stderr
    interrupt(first, signal.SIGINT)
    assert not bench.output_is_on()


def test_bringup_off_reaches_an_attempt_that_holds_the_bench(bench: Rig) -> None:
    running = bench.start(UP + "  - dwell: 60 s\n")
    wait_for(running, "step 2")

    done = bench.call(bench.command("off", "--bench", str(bench.bench)))

    assert done.returncode == 0, done.stdout + done.stderr
    assert not bench.output_is_on()
    assert running.stdout is not None
    running.stdout.read()
    assert running.wait(timeout=60) == 3
    running.stdout.close()


def test_json_of_a_run_is_one_document_on_standard_output(bench: Rig) -> None:
    done = bench.run(UP + MEASURE, "--json")

    document = json.loads(done.stdout)
    assert document["serial"] == SERIAL
    assert document["readings"]
    assert "PASSED" in done.stderr


def test_a_real_bench_without_a_terminal_is_refused(tmp_path: Path) -> None:
    identity = b"HAND BUILT,BOX-1,7,1.0"
    with rig(tmp_path, supply=Manners(identity=identity), meter=Manners(identity=identity)) as bench:
        refused(bench, bench.run(UP), "nobody is at this bench")


@pytest.mark.skipif(sys.platform == "win32", reason="there a shell closes no streams")
@pytest.mark.parametrize("closed", ["<&-", ">&-", "<&- >&-", "2>&-", "<&- >&- 2>&-"])
def test_closed_standard_streams_are_no_terminal(bench: Rig, closed: str) -> None:
    arguments = bench.run_arguments(UP + MEASURE, "--logbook", str(bench.logbook))

    done = subprocess.run(
        ["sh", "-c", f'exec "$@" {closed}', "sh", *arguments],
        cwd=bench.folder,
        env=bench.environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    assert ("PASSED" in done.stdout) == (">&-" not in closed.replace("2>&-", ""))
    (attempt,) = bench.asked("attempts", "--serial", SERIAL)
    assert attempt["result"] == "passed"
    assert not bench.output_is_on()


@pytest.mark.skipif(sys.platform == "win32", reason="there a shell closes no streams")
@pytest.mark.parametrize("closed", ["<&-", ">&-"])
def test_a_real_bench_is_refused_where_a_standard_stream_is_closed(tmp_path: Path, closed: str) -> None:
    identity = b"HAND BUILT,BOX-1,7,1.0"
    with rig(tmp_path, supply=Manners(identity=identity), meter=Manners(identity=identity)) as bench:
        arguments = bench.run_arguments(UP)
        done = subprocess.run(
            ["sh", "-c", f'exec "$@" {closed}', "sh", *arguments],
            cwd=bench.folder,
            env=bench.environment,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        refused(bench, Said(done.returncode, done.stdout, done.stderr), "nobody is at this bench")


@pytest.mark.skipif(sys.platform == "win32", reason="there a process's file sizes cannot be limited")
def test_a_disk_that_takes_no_more_ends_the_attempt_with_the_output_off(bench: Rig) -> None:
    import resource

    procedure = bench.procedure(UP + "  - log: {what: [VIN current, 3V3], for: 60 s, every: 20 ms}\n")
    arguments = bench.command("run", str(procedure), "--serial", SERIAL, "--bench", str(bench.bench))
    most = 600_000

    done = subprocess.run(
        arguments,
        cwd=bench.folder,
        env=bench.environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most, most)),
    )

    assert done.returncode == 3, done.stdout + done.stderr
    assert "logbook" in done.stdout
    assert not bench.output_is_on()
    assert len(bench.asked("readings", "--serial", SERIAL)) > 5
