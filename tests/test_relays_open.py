"""The guardian opens a scanner's relays after a kill, once the outputs were seen to; nobody else's are moved."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from bringup.commands.guardian_duty import SwitchingOff
from bringup.commands.guardian_spec import GuardianSpec, read_spec
from bringup.commands.guarding import _scanner_of
from bringup.commands.reaching import dialect_of, lock_name
from bringup.core.bench import Identity
from bringup.files.bench_file import load_bench
from bringup.host.left_messages import take_messages
from bringup.host.lock import About, ControlAddress, hold
from bringup.simulation.bench import build
from bringup.simulation.server import InstrumentServer
from tests.served_bench import Served, described, nobody, served_bench

ROOT = Path(__file__).parent.parent
SCANNER = "dialect: state-by-channel, channels: {VIN: 101, 3V3: 104}, ground: 120, rating: 60 V"
CLOSED = "ROUT:CLOS? (@101,104,120)"


@pytest.fixture(autouse=True)
def _quick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    monkeypatch.setattr("bringup.commands.relays_open.TRY_FOR", 0.0)


def spec_of(bench: Served, **changes: Any) -> GuardianSpec:
    found = load_bench(bench.file)
    assert found.supply is not None
    assert found.supply.resource is not None
    assert found.scanner is not None
    assert found.scanner.resource is not None
    moves = dialect_of(found, "scanner")
    opened: Any = SimpleNamespace(
        bench=found,
        dialects={"scanner": moves},
        resources={"scanner": found.scanner.resource},
        links={"scanner": SimpleNamespace(identity=None)},
    )
    reached = _scanner_of(opened)
    assert reached is not None
    lock, dialect = lock_name(found, "supply"), dialect_of(found, "supply")
    return GuardianSpec(
        found.supply,
        dialect,
        found.supply.resource,
        "@py",
        lock,
        None,
        "Test bench",
        "MBL-0001",
        "",
        0,
        scanner=replace(reached, **changes),
    )


@contextmanager
def with_a_relay_closed(folder: Path) -> Iterator[Served]:
    with served_bench(folder, scanner=SCANNER) as bench:
        bench.tell("scanner", "ROUT:CLOS (@104,120)", CLOSED)
        assert bench.tell("scanner", CLOSED) == ["0,1,1"]
        yield bench


def opened_by(spec: GuardianSpec) -> str:
    return SwitchingOff(read_spec(spec.as_line()), ControlAddress(0, ""), threading.Event()).open_relays()


def test_every_relay_is_opened_and_asked_after(tmp_path: Path) -> None:
    with with_a_relay_closed(tmp_path) as bench:
        assert opened_by(spec_of(bench)) == "every relay of the scanner is open"
        assert bench.tell("scanner", CLOSED) == ["0,0,0"]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"known": Identity("BRINGUP SIMULATED", "SCANNER-9", "another", "0")}, "it is not touched"),
        ({"resource": ""}, "UNKNOWN state"),
    ],
    ids=["another one", "nobody there"],
)
def test_relays_that_cannot_be_opened_or_are_anothers_are_said_to_be(
    tmp_path: Path, changes: dict[str, Any], words: str
) -> None:
    changes = {"resource": nobody()} if changes == {"resource": ""} else changes
    with with_a_relay_closed(tmp_path) as bench:
        assert words in opened_by(spec_of(bench, **changes))
        assert bench.tell("scanner", CLOSED) == ["0,1,1"]


def test_a_scanner_that_somebody_has_by_now_is_theirs(tmp_path: Path) -> None:
    with with_a_relay_closed(tmp_path) as bench, ExitStack() as leave:
        spec = spec_of(bench)
        assert spec.scanner is not None
        leave.enter_context(hold((spec.scanner.resource,), About("bringup run", "MBL-0002")))
        assert opened_by(spec) == ""
        assert bench.tell("scanner", CLOSED) == ["0,1,1"]


def test_a_card_is_reached_over_its_meter_and_a_simulated_scanner_ends_with_the_tool(tmp_path: Path) -> None:
    bench, board = described("simulated-scanner-card.yaml")
    simulated = build(bench, board, "MBL-0001", pace=0.0)
    with InstrumentServer(simulated.instruments()) as server:
        resource = server.resource("meter")
        assert bench.meter is not None
        at = replace(bench, meter=replace(bench.meter, resource=resource))
        dialects, links = {"meter": dialect_of(bench, "meter")}, {"meter": SimpleNamespace(identity=None)}
        opened: Any = SimpleNamespace(bench=at, dialects=dialects, resources={"meter": resource}, links=links)
        served = Served(simulated, server, tmp_path)
        served.tell("meter", "ROUT:CLOS (@104)", "ROUT:CLOS?")
        assert "104" in served.tell("meter", "ROUT:CLOS?")[0]
        with served_bench(tmp_path, scanner=SCANNER) as other:
            spec = replace(spec_of(other), scanner=_scanner_of(opened))
        assert opened_by(spec) == "every relay of the scanner is open"
        assert "104" not in served.tell("meter", "ROUT:CLOS?")[0]
        opened.bench = bench
        assert _scanner_of(opened) is None


def test_a_killed_tool_leaves_no_relay_closed(tmp_path: Path) -> None:
    with with_a_relay_closed(tmp_path) as bench:
        tool = subprocess.Popen(
            [sys.executable, "-m", "tests.guarded_tool", str(bench.file), str(tmp_path / "bringup.db"), "scanner"],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert tool.stdout is not None
        assert tool.stdout.readline().split()[:1] == ["on"]
        tool.kill()
        tool.wait()
        tool.stdout.close()
        until = time.monotonic() + 60
        while not (said := take_messages()):
            assert time.monotonic() < until, "no message was left"
            time.sleep(0.01)
        assert bench.tell("scanner", CLOSED) == ["0,0,0"]
        assert bench.outputs_on()[0] == "0"
    assert "Every output is OFF, verified by asking; every relay of the scanner is open" in said[0]
