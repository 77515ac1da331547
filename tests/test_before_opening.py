"""What `run` refuses from files and command line alone: nothing is opened, no instrument hears of it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.core.bench import on_loopback
from tests.fakes import ROOT

FIRST_POWER_ON = ROOT / "procedures/first-power-on.yaml"
BY_HAND = ROOT / "procedures/first-power-on-by-hand.yaml"
TELLING = """
import sys
def tell(event, arguments):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.bind", "open") and (
        event != "open" or str(arguments[0]).endswith((".db", "tty"))
    ):
        sys.stderr.write(f"AUDIT {event}\\n")
sys.addaudithook(tell)
from bringup.commands.main import main
sys.exit(main(sys.argv[1:]))
"""
"""Runs a command and tells of every socket it binds or connects, every name it looks up, and logbooks it opens."""


def bench_at(folder: Path, resource: str) -> Path:
    path = folder / "bench.yaml"
    path.write_text(
        f"bench: Some bench\nsupply: {{resource: '{resource}', dialect: select-by-number, outputs: {{VIN: 1}},\n"
        "         ceiling: {voltage: 30 V, current: 1 A}}\n"
        f"meter: {{resource: '{resource.replace('::9::', '::10::')}', dialect: configure-and-read}}\n"
        "probing: fixed wiring\n",
        encoding="utf-8",
    )
    return path


def run_without_a_terminal(
    folder: Path, resource: str, *more: str, procedure: Path = FIRST_POWER_ON
) -> subprocess.CompletedProcess[str]:
    arguments = ["run", str(procedure), "--serial", "MBL-0001", "--bench", str(bench_at(folder, resource))]
    return subprocess.run(
        [sys.executable, "-c", TELLING, *arguments, "--logbook", str(folder / "bringup.db"), *more],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_without_a_terminal_a_real_bench_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    done = run_without_a_terminal(tmp_path, "TCPIP0::192.0.2.10::9::SOCKET")

    assert done.returncode == 2
    assert (
        "nobody is at this bench, and it is a real one (the supply is at TCPIP0::192.0.2.10::9::SOCKET" in done.stderr
    )
    assert "`--unattended` was not given" in done.stderr
    assert "Nothing was opened and nothing was powered." in done.stderr
    assert "AUDIT" not in done.stderr
    assert not (tmp_path / "bringup.db").exists()


def test_an_instrument_on_loopback_may_be_simulated_so_it_is_asked_who_it_is(tmp_path: Path) -> None:
    done = run_without_a_terminal(tmp_path, "TCPIP0::127.0.0.1::9::SOCKET")

    assert done.returncode == 2
    assert "AUDIT socket.connect" in done.stderr
    assert "nobody is at this bench" not in done.stderr


def test_unattended_alone_does_not_open_a_bench_for_a_procedure_that_wants_somebody(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = bench_at(tmp_path, "TCPIP0::192.0.2.10::9::SOCKET")

    assert main(["run", str(FIRST_POWER_ON), "--serial", "MBL-0001", "--bench", str(bench), "--unattended"]) == 2

    said = capsys.readouterr().err
    assert "the procedure does not say `unattended: after first power`" in said
    assert "was not given" not in said


def test_a_bench_by_hand_is_refused_without_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    bench = ROOT / "fixtures/benches/handheld.yaml"

    code = main(["run", str(BY_HAND), "--serial", "MBL-0001", "--bench", str(bench), "--unattended"])

    assert code == 2
    assert "somebody has to set or read an instrument by hand" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("resource", "here"),
    [
        ("TCPIP0::127.0.0.1::5025::SOCKET", True),
        ("TCPIP::127.3.2.1::INSTR", True),
        ("tcpip0::LocalHost::5025::SOCKET", True),
        ("TCPIP0::::1::5025::SOCKET", True),
        ("TCPIP0::[::1]::5025::SOCKET", True),
        ("TCPIP0::localhost", True),
        ("TCPIP0::192.0.2.10::5025::SOCKET", False),
        ("TCPIP0::127.0.0.1.example.org::5025::SOCKET", False),
        ("TCPIP0::localhost.example.org::INSTR", False),
        ("TCPIP0::2001:db8::1::5025::SOCKET", False),
        ("USB0::0x1234::0x5678::127.0.0.1::INSTR", False),
        ("GPIB0::5::INSTR", False),
        ("ASRL/dev/ttyUSB0::INSTR", False),
    ],
)
def test_loopback_is_this_computer_and_nothing_else(resource: str, here: bool) -> None:
    assert on_loopback(resource) is here


def test_a_variant_of_a_board_without_variants_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    procedure = tmp_path / "lamp.yaml"
    lamp = ROOT / "fixtures/boards/buoy-lamp.yaml"
    procedure.write_text(f"procedure: Look\nboard: {lamp}\nsteps:\n  - inspect: [It is whole]\n", encoding="utf-8")
    bench = ROOT / "fixtures/benches/simulated.yaml"

    code = main(["run", str(procedure), "--serial", "LMP-001", "--bench", str(bench), "--variant", "short range"])

    assert code == 2
    assert "--variant short range: the board file names no variants of Buoy lamp" in capsys.readouterr().err


def test_a_variant_that_the_board_does_not_have_is_refused_with_those_it_has(
    capsys: pytest.CaptureFixture[str],
) -> None:
    bench = ROOT / "fixtures/benches/simulated.yaml"

    code = main(
        ["run", str(FIRST_POWER_ON), "--serial", "MBL-0001", "--bench", str(bench), "--variant", "middle range"]
    )

    assert code == 2
    assert "It has: short range, long range." in capsys.readouterr().err


def test_a_procedure_with_steps_for_one_variant_wants_to_know_which_this_unit_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    procedure = tmp_path / "look.yaml"
    board = ROOT / "fixtures/boards/mooring-buoy-logger.yaml"
    step = "{confirm: [The antenna is fitted], only_if: {variant: long range}}"
    text = f"procedure: Look\nboard: {board}\nsteps:\n  - inspect: [It is whole]\n  - inspect: {step}\n"
    procedure.write_text(text, encoding="utf-8")
    bench = ROOT / "fixtures/benches/simulated.yaml"

    code = main(["run", str(procedure), "--serial", "MBL-0001", "--bench", str(bench)])

    assert code == 2
    said = capsys.readouterr().err
    assert "no variant is given, and it decides what is done in step 2" in said
    assert "Give the unit's with --variant: short range, long range." in said
