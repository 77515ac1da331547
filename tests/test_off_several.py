"""`bringup off` with two supplies: both off and verified, and one that is missing delays the other by nothing."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path
from typing import Self

import pytest

from bringup.commands import off_several
from bringup.commands.main import main
from bringup.commands.reaching import lock_name
from bringup.files.bench_file import load_bench
from bringup.host.control import ControlServer, Outcome
from bringup.host.lock import About, hold
from bringup.simulation.manners import Manners
from tests.rig import wait_for
from tests.two_supplies import SUPPLY_2, UP, TwoRig, two_supplies

BOTH = ("supply", SUPPLY_2)


@pytest.fixture(autouse=True)
def _own_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))


def switch_on(bench: TwoRig) -> None:
    """Put both outputs on, as somebody else left them."""
    for role, line in (("supply", b"VOLT 5;:CURR 0.1;:OUTP ON"), (SUPPLY_2, b"INST:NSEL 2;:VOLT 5;:CURR 0.1;:OUTP ON")):
        with bench.server.world:
            for _ in bench.simulated.instruments()[role].exchange(line, bench.server.now()):
                pass
    assert bench.on == (True, True)


def off(bench: TwoRig, *more: str) -> int:
    return main(["off", "--bench", str(bench.bench), *more])


def test_both_supplies_are_switched_off_and_each_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with two_supplies(tmp_path) as bench:
        switch_on(bench)
        assert off(bench) == 0
        assert bench.on == (False, False)
    said = capsys.readouterr().out
    assert "Every output of the supply of Two supplies is OFF, verified by asking: output 1 (VIN)." in said
    assert "Every output of the supply drive of Two supplies is OFF, verified by asking: output 2 (VDRV)." in said


@pytest.mark.parametrize("gone", BOTH)
def test_one_that_is_missing_is_said_in_large_words_and_the_other_is_off(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], gone: str
) -> None:
    with two_supplies(tmp_path, missing=(gone,)) as bench:
        switch_on(bench)
        assert off(bench, "--json") == 3
        assert bench.on == (gone == "supply", gone == SUPPLY_2)
    told, said = capsys.readouterr()
    found = json.loads(told)
    (other,) = set(BOTH) - {gone}
    assert found["off_verified"] is False
    assert {name: each["off_verified"] for name, each in found["supplies"].items()} == {gone: False, other: True}
    assert f"switch the {gone} off at its own switch" in said


@pytest.mark.parametrize("slow", BOTH)
def test_one_that_takes_long_delays_the_other_by_nothing(tmp_path: Path, slow: str) -> None:
    with two_supplies(tmp_path, manners={slow: Manners(latency=0.3)}) as bench:
        switch_on(bench)
        command = threading.Thread(target=off, args=(bench,))
        begun = time.monotonic()
        command.start()
        other = int(slow == "supply")
        while bench.on[other]:
            assert time.monotonic() - begun < 10.0
            time.sleep(0.005)
        assert bench.on[1 - other], "the slow one is still on by then"
        command.join(30.0)
        assert bench.on == (False, False)


class Driving:
    """A program that holds some locks, and says what became of the outputs when it is asked."""

    def __init__(self, *locks: str, outcome: Outcome) -> None:
        self._locks, self._outcome = locks, outcome
        self.times = 0

    def __enter__(self) -> Self:
        self._control = ControlServer(self._answer)
        address = self._control.__enter__().address
        self._held = hold(self._locks, About("bringup run", "DS-001", address))
        self._held.__enter__()
        return self

    def _answer(self) -> None:
        self.times += 1
        self._control.report(self._outcome, self._control.asks)

    def __exit__(self, *_: object) -> None:
        self._held.__exit__(None, None, None)
        self._control.__exit__(None, None, None)


def test_who_holds_both_is_asked_once_and_believed_for_both(tmp_path: Path) -> None:
    with two_supplies(tmp_path) as bench:
        described = load_bench(bench.bench)
        with Driving(*(lock_name(described, role) for role in BOTH), outcome=Outcome.OFF) as driving:
            assert off(bench) == 0
        assert driving.times == 1


def test_who_holds_one_is_believed_for_that_one_only(tmp_path: Path) -> None:
    with two_supplies(tmp_path) as bench:
        switch_on(bench)
        described = load_bench(bench.bench)
        with Driving(lock_name(described, "supply"), outcome=Outcome.OFF):
            assert off(bench) == 0
        assert bench.on == (True, False), "this holder lies; the other supply was switched off from here"


def test_holders_that_have_not_said_who_they_are_are_not_taken_for_one(monkeypatch: pytest.MonkeyPatch) -> None:
    answers = {"one": Outcome.OFF, "other": None}
    monkeypatch.setattr(off_several, "ask_holder_off", lambda name, within: answers[name])
    ask = off_several.AskedOnce()

    assert [ask(0, name, 1.0) for name in answers] == [Outcome.OFF, None]


def test_an_attempt_that_holds_the_bench_switches_both_off_when_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with two_supplies(tmp_path) as bench:
        monkeypatch.setenv("BRINGUP_STATE", bench.environment["BRINGUP_STATE"])
        process = bench.start(UP + "  - dwell: 60 s\n", "--logbook", str(bench.logbook))
        wait_for(process, "dwell")
        assert bench.on == (True, True)
        assert off(bench) == 0
        assert bench.on == (False, False)
        process.wait(30)
        (found,) = bench.asked("attempts")
    assert found["off_verified"] is True
