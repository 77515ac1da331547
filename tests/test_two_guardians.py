"""Two supplies on real sockets: killed, hung or with a guardian gone, both go off, each by its own guardian."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from tests.rig import wait_for
from tests.test_guardian import children_of, command_of
from tests.two_supplies import SUPPLY_2, UP, TwoRig, two_supplies

STEPS = UP + "  - dwell: 60 s\n"


def powered(bench: TwoRig) -> Any:
    """Start an attempt and wait until both outputs are on for good."""
    process = bench.start(STEPS, "--logbook", str(bench.logbook))
    wait_for(process, "dwell")
    assert bench.on == (True, True)
    return process


def until(what: Any, within: float = 20.0) -> float:
    begun = time.monotonic()
    while not what():
        assert time.monotonic() - begun < within, "it did not come about"
        time.sleep(0.01)
    return time.monotonic() - begun


def guardians(process: Any) -> list[int]:
    return [pid for pid in children_of(process.pid) if b"bringup guardian" in command_of(pid)]


def closed(bench: TwoRig) -> Any:
    found = bench.asked("attempts")
    return found[0] if found and found[0]["result"] is not None else None


def test_a_killed_tool_has_both_outputs_off_and_verified(tmp_path: Path) -> None:
    with two_supplies(tmp_path) as bench:
        process = powered(bench)
        assert len(guardians(process)) == 2
        os.kill(process.pid, signal.SIGKILL)
        until(lambda: bench.on == (False, False), 10.0)
        until(lambda: (closed(bench) or {}).get("off_verified"))
        found = closed(bench)
    assert (found["result"], found["off_verified"]) == ("broken off", True)


@pytest.mark.parametrize("gone", ["supply", SUPPLY_2])
def test_a_killed_tool_whose_one_supply_is_gone_has_the_other_off_and_the_state_unknown(
    tmp_path: Path, gone: str
) -> None:
    with two_supplies(tmp_path) as bench:
        process = powered(bench)
        bench.fall_silent(gone)
        os.kill(process.pid, signal.SIGKILL)
        other = int(gone == "supply")
        until(lambda: not bench.on[other], 10.0)
        until(lambda: closed(bench) is not None)
        found = closed(bench)
        assert bench.on[1 - other]
    assert (found["result"], found["off_verified"]) == ("broken off", False)


def test_a_tool_that_hangs_is_killed_and_both_are_off(tmp_path: Path) -> None:
    with two_supplies(tmp_path) as bench:
        process = powered(bench)
        os.kill(process.pid, signal.SIGSTOP)
        until(lambda: bench.on == (False, False))
        assert process.wait(10) == -signal.SIGKILL
        until(lambda: (closed(bench) or {}).get("off_verified"))


def test_without_either_guardian_the_attempt_ends_with_both_outputs_off(tmp_path: Path) -> None:
    with two_supplies(tmp_path) as bench:
        process = powered(bench)
        os.kill(guardians(process)[-1], signal.SIGKILL)
        until(lambda: bench.on == (False, False), 10.0)
        assert process.wait(30) == 3
        found = closed(bench)
    assert "the guardian is gone while an output is on" in found["cause"]
    assert found["off_verified"] is True


@pytest.mark.parametrize("gone", ["supply", SUPPLY_2])
def test_a_supply_that_is_gone_has_the_other_switched_off_by_the_tool_itself(tmp_path: Path, gone: str) -> None:
    with two_supplies(tmp_path) as bench:
        process = powered(bench)
        other = int(gone == "supply")
        bench.fall_silent(gone)
        until(lambda: not bench.on[other], 10.0)
        said = wait_for(process, "USE THE SWITCH ON EVERY SUPPLY, NOW")
        said += wait_for(process, "is tried again")
        process.kill()
        words = " ".join((said + process.stdout.read()).replace("!!", " ").split())
        assert f"the {gone} did not answer 2 looks in a row" in words
