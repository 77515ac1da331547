"""Commands on a bench with two supplies on sockets: refused where either is wrong, busy or missing; replayed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.main import main
from bringup.commands.reaching import lock_name, one_instrument
from bringup.core.bench import Identity
from bringup.files.bench_file import load_bench
from bringup.host.lock import About, hold
from bringup.simulation.manners import Manners
from tests.two_supplies import SUPPLY_2, TWO, UP, two_supplies

BOTH = ("supply", SUPPLY_2)


@pytest.mark.parametrize("wrong", BOTH)
def test_another_instrument_in_the_place_of_either_is_refused_with_nothing_powered(tmp_path: Path, wrong: str) -> None:
    more = ", expect: {serial: '4711'}"
    first, second = (more if wrong == each else "" for each in BOTH)
    with two_supplies(tmp_path, first=first, second=second) as bench:
        said = bench.run(UP)
        assert bench.on == (False, False)
    assert said.returncode == 2
    assert f"{wrong} at TCPIP" in said.stderr
    assert "expects serial number '4711'" in said.stderr


@pytest.mark.parametrize("gone", BOTH)
def test_either_one_missing_is_refused_with_nothing_powered(tmp_path: Path, gone: str) -> None:
    with two_supplies(tmp_path, missing=(gone,)) as bench:
        said = bench.run(UP)
        assert bench.on == (False, False)
    assert said.returncode == 2
    assert f"{gone} at TCPIP" in said.stderr


@pytest.mark.parametrize("busy", BOTH)
def test_either_one_in_use_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, busy: str) -> None:
    with two_supplies(tmp_path) as bench:
        monkeypatch.setenv("BRINGUP_STATE", bench.environment["BRINGUP_STATE"])
        with hold((lock_name(load_bench(bench.bench), busy),), About("somebody else")):
            said = bench.run(UP)
        assert bench.on == (False, False)
    assert said.returncode == 2
    assert "somebody else" in said.stderr


def test_a_supply_too_slow_to_be_watched_is_named(tmp_path: Path) -> None:
    with two_supplies(tmp_path, manners={SUPPLY_2: Manners(latency=0.3)}) as bench:
        said = bench.run(UP)
        assert bench.on == (False, False)
    assert said.returncode == 2
    assert "the supply drive is too slow to be watched" in said.stderr


def test_a_trace_of_both_replays_with_every_message_the_same(tmp_path: Path) -> None:
    with two_supplies(tmp_path) as bench:
        trace = tmp_path / "trace.txt"
        assert bench.run(UP, "--trace", str(trace)).returncode == 0
        assert " supply2 " in trace.read_text(encoding="ascii")
        again = bench.run(UP, "--replay", str(trace))
    assert again.returncode == 0, again.stderr
    assert "The replay went as the trace did" in again.stderr


def test_the_bench_command_shows_each_supply_with_its_own_numbers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    with two_supplies(tmp_path, missing=("meter",)) as bench:
        assert main(["bench", "--bench", str(bench.bench)]) == 2
    shown = capsys.readouterr().out
    assert "output 1 (VIN): off" in shown
    assert "supply drive: TCPIP" in shown
    assert "output 2 (VDRV): off" in shown


class Answered:
    """A link to whoever says so."""

    def __init__(self, text: str) -> None:
        maker, model, serial, firmware = text.split(",")
        self.identity = Identity(maker, model, serial, firmware, text)


def test_one_instrument_reached_in_two_ways_is_no_two_supplies() -> None:
    bench = load_bench(TWO)
    one: Any = Answered("WEST DOCK,PSU-9,4711,1.0")
    other: Any = Answered("WEST DOCK,PSU-9,4712,1.0")
    links: dict[str, Any] = {"supply": one, SUPPLY_2: one, "meter": other}

    assert one_instrument(bench, links) == "the supply and the supply drive are one instrument (WEST DOCK::PSU-9::4711)"
    assert one_instrument(bench, {**links, SUPPLY_2: other}) == ""
    assert one_instrument(replace(bench, more_supplies=()), links) == ""
