"""The load goes off after the supply where no attempt does it: by `bringup off` and by the guardian, and verified."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bringup.commands import load_off as module
from bringup.commands.guardian_afterwards import Afterwards
from bringup.commands.guardian_duty import SwitchingOff
from bringup.commands.guardian_spec import GuardianSpec, read_spec
from bringup.commands.load_off import LoadReached, load_off
from bringup.commands.main import main
from bringup.commands.reaching import dialect_of, lock_name
from bringup.core.bench import Identity
from bringup.files.bench_file import load_bench
from bringup.host.bell import Letters
from bringup.host.control import Outcome
from bringup.host.left_messages import take_messages
from bringup.host.lock import About, ControlAddress, hold
from tests.served_bench import Served, nobody, served_bench

LOAD = "dialect: function-by-channel-list, channels: {3V3: 2}"


@pytest.fixture(autouse=True)
def _quick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BRINGUP_STATE", str(tmp_path / "state"))
    monkeypatch.setattr(module, "TRY_FOR", 0.3)
    monkeypatch.setattr("bringup.commands.off.LOAD_WITHIN", 0.3)


def switch_on(bench: Served) -> None:
    bench.tell("supply", "INST:NSEL 1", "VOLT 5", "CURR 0.1", "OUTP ON", "OUTP?")
    bench.tell("load", "INP ON,(@1)", "INP ON,(@2)", "INP? (@2)")


def on(bench: Served) -> tuple[list[str], list[str]]:
    """What supply and load themselves say."""
    return bench.outputs_on()[:1], bench.tell("load", "INP? (@1)", "INP? (@2)")


def reached(bench: Served) -> LoadReached:
    described = load_bench(bench.file)
    assert described.load is not None
    assert described.load.resource is not None
    return LoadReached(described.load, dialect_of(described, "load"), described.load.resource)


def test_off_switches_supply_and_load_off_and_spares_a_channel_of_somebody_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path, load=LOAD) as bench:
        switch_on(bench)
        assert on(bench) == (["1"], ["1", "1"])
        assert main(["off", "--bench", str(bench.file)]) == 0
        assert on(bench) == (["0"], ["1", "0"])
    shown = capsys.readouterr().out.splitlines()
    assert [line.split(" is ")[0].split(" are ")[0] for line in shown] == [
        "Every output of Test bench",
        "Every channel of the load of Test bench",
    ]


def test_a_load_that_nobody_reaches_is_unknown_and_the_supply_is_off_all_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path, load=LOAD, missing=("load",)) as bench:
        switch_on(bench)
        assert main(["off", "--bench", str(bench.file)]) == 3
        assert bench.outputs_on()[0] == "0"
    said = capsys.readouterr()
    assert "Every output of Test bench is OFF" in said.out
    assert "the state of the LOAD is UNKNOWN, switch it off at its own switch" in said.err


def test_a_supply_that_nobody_reaches_keeps_nobody_from_switching_the_load_off(tmp_path: Path) -> None:
    with served_bench(tmp_path, load=LOAD, missing=("supply",)) as bench:
        switch_on(bench)
        assert main(["off", "--bench", str(bench.file)]) == 3
        assert bench.tell("load", "INP? (@2)") == ["0"]


def test_another_load_than_before_is_not_touched(tmp_path: Path) -> None:
    with served_bench(tmp_path, load=LOAD) as bench:
        switch_on(bench)
        other = replace(reached(bench), known=Identity("BRINGUP SIMULATED", "LOAD-2", "somebody else's", "0"))
        assert "it is not touched" in load_off(other, try_for=0.0)
        assert bench.tell("load", "INP? (@2)") == ["1"]


def spec_of(bench: Served, folder: Path, load: LoadReached) -> GuardianSpec:
    described = load_bench(bench.file)
    assert described.supply is not None
    assert described.supply.resource is not None
    return GuardianSpec(
        described.supply,
        dialect_of(described, "supply"),
        described.supply.resource,
        "@py",
        lock_name(described, "supply"),
        None,
        "Test bench",
        "MBL-0001",
        str(folder / "bringup.db"),
        os.getpid(),
        load=load,
    )


@pytest.mark.parametrize("there", [True, False])
def test_the_guardian_switches_the_load_off_beside_the_supply_and_says_where_it_cannot(
    tmp_path: Path, there: bool
) -> None:
    with served_bench(tmp_path, load=LOAD) as bench:
        switch_on(bench)
        load = reached(bench) if there else replace(reached(bench), resource=nobody())
        spec = spec_of(bench, tmp_path, load)
        duty = SwitchingOff(read_spec(spec.as_line()), ControlAddress(0, ""), threading.Event())
        off = duty.once(2.0)
        trouble = duty.load.trouble()

        assert off.verified
        assert on(bench) == (["0"], ["1", "0" if there else "1"])
        assert ("the state of the LOAD is UNKNOWN" in trouble) == (not there), trouble


@pytest.mark.parametrize("others", [False, True])
def test_a_load_that_was_left_on_beside_a_supply_is_taken_over_by_the_guardian_unless_others_have_it(
    tmp_path: Path, others: bool
) -> None:
    """The supply was verified off, the load did not answer when it should have gone off."""
    with served_bench(tmp_path, load=LOAD) as bench, ExitStack() as leave:
        bench.tell("load", "INP ON,(@2)", "INP? (@2)")
        if others:
            leave.enter_context(hold((reached(bench).resource,), About("bringup run", "MBL-0002")))
        arguments = [str(bench.file), str(tmp_path / "bringup.db"), "load left"]
        tool = subprocess.run(
            [sys.executable, "-m", "tests.guarded_tool", *arguments],
            cwd=Path(__file__).parent.parent,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            check=True,
        )
        assert tool.stdout.split()[:1] == [b"on"]
        until = time.monotonic() + 60
        while not (said := take_messages()):
            assert time.monotonic() < until, "no message was left"
            time.sleep(0.01)
        assert bench.tell("load", "INP? (@2)") == ["1" if others else "0"]
    (text,) = said
    assert "the load could not be verified off" in text
    if others:
        assert "the state of the LOAD is UNKNOWN, switch it off at its own switch: another program holds it" in text
    else:
        assert "Every output is OFF, verified by asking; every channel of the load is OFF, verified by asking" in text


class Told(list[Outcome]):
    """What is reported to whoever asked for off."""

    def report(self, outcome: Outcome, asks: int | None = None) -> None:
        del asks
        self.append(outcome)

    asks = 1


@pytest.mark.parametrize("there", [True, False])
def test_whoever_asks_the_guardian_is_not_told_off_while_the_load_is_unknown(tmp_path: Path, there: bool) -> None:
    with served_bench(tmp_path, load=LOAD) as bench:
        switch_on(bench)
        load = reached(bench) if there else replace(reached(bench), resource=nobody())
        spec, told = spec_of(bench, tmp_path, load), Told()
        duty = SwitchingOff(spec, ControlAddress(0, ""), threading.Event())
        account: Any = None
        control: Any = told
        off = duty.once(2.0)
        Afterwards(spec, control, Letters(), duty, account).report(off.verified, 1)

        assert off.verified
        assert told == [Outcome.OFF if there else Outcome.UNKNOWN]


def test_who_asks_the_guardian_anew_has_the_load_switched_off_anew(tmp_path: Path) -> None:
    """What was verified before is no answer: a hand may have been at its panel since."""
    with served_bench(tmp_path, load=LOAD) as bench:
        spec, told = spec_of(bench, tmp_path, reached(bench)), Told()
        duty = SwitchingOff(spec, ControlAddress(0, ""), threading.Event())
        account: Any = Slow()
        control: Any = told
        afterwards = Afterwards(spec, control, Letters(), duty, account)
        duty.once(2.0)
        assert duty.load.trouble() == ""
        switch_on(bench)
        afterwards._obey()

        assert on(bench) == (["0"], ["1", "0"])
        assert told == [Outcome.OFF]


class Slow:
    """What nobody is told here."""

    def slow(self, why: str) -> None:
        raise AssertionError(why)
