"""Keeping the computer awake while an output is on: held, said once, never an error, gone when the tool is gone."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from bringup.core.words import AttemptResult
from bringup.host import awake
from bringup.host.awake import Nothing, Program, ThreadState, keeper
from bringup.runner.wakefulness import KeepAwake
from tests.fakes import ROOT, SEEN, picked, simulated_bench

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="systemd-inhibit is a program of Linux")

# Stands in for systemd-inhibit: notes its options, and holds the named pipe open until the command has ended.
FAKE = """#!/bin/sh
exec 9>"$0.held"
while [ "${1#--}" != "$1" ]; do echo "$1" >>"$0.options"; shift; done
"$@"
"""
REFUSES = """#!/bin/sh
echo 'Failed to inhibit: Access denied' >&2
exit 1
"""
HOLDER = """
import sys
from bringup.host.awake import keeper
kept = keeper()
kept.hold()
while kept.holds() is None:
    pass
print(kept.holds(), flush=True)
sys.stdin.read()
"""


@pytest.fixture
def program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], Path]:
    """Put a program of that text first on the PATH as systemd-inhibit."""

    def make(text: str) -> Path:
        path = tmp_path / "systemd-inhibit"
        path.write_text(text, encoding="utf-8")
        path.chmod(0o755)
        os.mkfifo(f"{path}.held")
        monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
        return path

    return make


def known(kept: KeepAwake) -> tuple[bool, str]:
    """Ask until it is known."""
    while (found := kept.holds()) is None:
        os.sched_yield()
    return found


@linux
def test_the_lock_is_held_until_it_is_released(program: Callable[[str], Path]) -> None:
    path = program(FAKE)
    kept = keeper()

    kept.hold()
    with Path(f"{path}.held").open("rb") as held:
        assert known(kept) == (True, "systemd-inhibit")
        kept.release()
        assert held.read() == b"", "the end of the pipe: nobody has it open any more"

    options = Path(f"{path}.options").read_text(encoding="utf-8").splitlines()
    assert {"--what=idle:sleep", "--mode=block", "--who=bringup"} <= set(options)


@linux
def test_it_can_be_held_again(program: Callable[[str], Path]) -> None:
    path = program(FAKE)
    kept = keeper()
    for _ in range(2):
        kept.hold()
        with Path(f"{path}.held").open("rb") as held:
            assert known(kept)[0]
            kept.release()
            assert held.read() == b""


@linux
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_nothing_of_it_outlives_the_tool(program: Callable[[str], Path], number: signal.Signals) -> None:
    path = program(FAKE)
    tool = subprocess.Popen(
        [sys.executable, "-c", HOLDER], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert tool.stdout is not None
    assert tool.stdin is not None
    with Path(f"{path}.held").open("rb") as held:
        assert tool.stdout.readline() == "(True, 'systemd-inhibit')\n"

        tool.send_signal(number)

        assert held.read() == b"", "the end of the pipe: nobody has it open any more"
    tool.wait()
    tool.stdout.close()
    tool.stdin.close()


@linux
def test_a_refusal_is_said_in_its_own_words(program: Callable[[str], Path]) -> None:
    program(REFUSES)
    kept = keeper()
    kept.hold()

    assert known(kept) == (False, "systemd-inhibit: Failed to inhibit: Access denied")
    kept.release()


@linux
def test_a_program_that_never_says_that_it_holds_is_not_believed(
    program: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    program("#!/bin/sh\nexec cat\n")
    monkeypatch.setattr(awake, "PATIENCE", 0.05)
    kept = keeper()
    kept.hold()

    assert known(kept) == (False, "systemd-inhibit does not say that it holds")
    kept.release()


@linux
def test_a_program_that_cannot_be_started_is_no_error(program: Callable[[str], Path]) -> None:
    program("no program of any kind\n").write_bytes(b"\x7fELF nothing behind it")
    kept = keeper()
    kept.hold()

    held, why = known(kept)
    assert not held
    assert why.startswith("systemd-inhibit cannot be started")


def test_a_program_that_is_not_there_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    kept = keeper("linux")
    kept.hold()

    assert kept.holds() == (False, "systemd-inhibit is not on this computer")
    kept.release()


@linux
def test_a_program_that_holds_as_long_as_it_runs_is_ended_by_force_if_need_be(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(awake, "ENDS_WITHIN", 0.05)
    kept = Program("sh", ("-c", "trap '' TERM; sleep 60 & wait"), says=False)
    kept.hold()

    assert kept.holds() == (True, "sh")
    kept.release()


def test_each_system_has_its_own_way() -> None:
    mac = keeper("darwin")
    assert isinstance(mac, Program)
    assert mac._arguments == ("-i", "-s", "-w", str(os.getpid()))
    assert isinstance(keeper("win32"), ThreadState)
    none = keeper("haiku")
    assert isinstance(none, Nothing)
    none.hold()
    none.release()
    assert none.holds() == (False, f"nothing is known that would do it on {sys.platform}")


@pytest.mark.parametrize(("answer", "expected"), [(1, True), (0, False)])
def test_windows_is_asked_through_the_call(monkeypatch: pytest.MonkeyPatch, answer: int, expected: bool) -> None:
    states: list[int] = []

    def set_state(state: int) -> int:
        states.append(state)
        return answer

    monkeypatch.setattr(awake, "_set_thread_state", set_state)
    kept = ThreadState()
    kept.hold()

    assert known(kept)[0] is expected
    kept.release()
    assert states == [0x80000001, 0x80000000]


# in an attempt


@dataclass
class Keeper:
    """Notes when it is held, and whether the output was on then."""

    says: tuple[bool, str] | None = (True, "a fake")
    calls: list[str] = field(default_factory=list)

    def hold(self) -> None:
        self.calls.append("hold")

    def release(self) -> None:
        self.calls.append("release")

    def holds(self) -> tuple[bool, str] | None:
        return self.says


def test_the_computer_is_kept_awake_from_on_to_off() -> None:
    kept = Keeper()
    bench = simulated_bench(picked("apply", "measure", "power_off"), history=SEEN)

    outcome = bench.run(awake=kept)

    assert outcome.result is AttemptResult.PASSED
    assert kept.calls == ["hold", "release"]
    said = [text for kind, text, _ in bench.record.events if kind == "awake"]
    assert said == ["the computer is kept awake while an output is on (a fake)"]
    assert said[0] not in [told.text for told in bench.told]


def test_a_computer_that_cannot_be_kept_awake_is_said_once_and_shown() -> None:
    bench = simulated_bench(picked("leads", "apply", "measure"), history=SEEN)

    outcome = bench.run(awake=Keeper((False, "systemd-inhibit is not on this computer")))

    assert outcome.result is AttemptResult.PASSED
    said = [text for kind, text, _ in bench.record.events if kind == "awake"]
    assert len(said) == 1
    assert said[0] == (
        "the computer is NOT kept awake while an output is on: systemd-inhibit is not on this computer. "
        "See to it that it does not go to sleep by itself"
    )
    assert said[0] in [told.text for told in bench.told]


def test_it_is_released_whatever_ends_the_attempt() -> None:
    kept = Keeper(says=None)
    bench = simulated_bench(picked("apply", "measure"), history=SEEN)
    bench.clock.at(3.0, lambda: setattr(bench.supply_link.troubles, "lost_at", 3.0))

    bench.run(awake=kept)

    assert kept.calls[0] == "hold"
    assert kept.calls[-1] == "release"
    assert kept.calls.count("hold") == kept.calls.count("release")
    assert "awake" not in bench.record.kinds(), "it was never known"


def test_with_nothing_on_nothing_is_held() -> None:
    kept = Keeper()
    simulated_bench(picked("inspect"), history=SEEN).run(awake=kept)

    assert kept.calls == []


# after sleep


def test_after_sleep_the_output_goes_off_first_and_nothing_carries_over() -> None:
    bench = simulated_bench(picked("apply", "measure"), history=SEEN)
    clock = bench.clock
    on_at_sleep: list[bool] = []
    sent_before: list[int] = []

    def sleep() -> None:
        on_at_sleep.append(bench.on())
        sent_before.append(len(bench.supply_link.sent))
        clock.asleep = lambda: 600.0  # type: ignore[method-assign]

    clock.at(1.5, sleep)

    outcome = bench.run()

    assert on_at_sleep == [True]
    assert outcome.result is AttemptResult.BROKEN_OFF
    assert outcome.cause == "the computer slept or the tool hung for 600 s while an output was on"
    assert outcome.off_verified is True
    assert not bench.on()
    settings = [text for text in bench.supply_link.sent[sent_before[0] :] if "?" not in text and "ERR" not in text]
    assert settings[:2] == ["INST:NSEL 1", "OUTP OFF"]
    (trip,) = [text for kind, text, _ in bench.record.events if kind == "trip"]
    assert trip.endswith("taken for a trip, since nobody saw what happened meanwhile")


def test_sleep_with_everything_off_ends_nothing() -> None:
    bench = simulated_bench(picked("inspect"), history=SEEN)
    slept = iter(range(0, 100_000, 600))
    bench.clock.asleep = lambda: float(next(slept))  # type: ignore[method-assign]

    assert bench.run().result is AttemptResult.PASSED
