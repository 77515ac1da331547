"""The host's clock and signals: what wakes a wait, what is noted, what is given back."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import threading
import time
from datetime import UTC, timedelta

import pytest

from bringup.host.clock import HostClock
from bringup.runner.records import Interruption
from tests.conftest import pass_on_no_ignored_hang_up

posix = pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")


def test_waits_until_the_moment_and_no_longer() -> None:
    clock = HostClock()
    began = clock.monotonic()
    clock.wait(began + 0.05)
    assert 0.05 <= clock.monotonic() - began < 60
    clock.wait(began)
    clock.wait(-math.inf)
    assert clock.interruption() is None


def test_wall_time_is_utc() -> None:
    now = HostClock().utc()
    assert now.utcoffset() == timedelta(0)
    assert now.tzinfo is UTC


def slept(clock: HostClock) -> float:
    """What it says about sleep, of many times that at which it was not kept from reading both clocks at once."""
    return max(clock.asleep() for _ in range(100))


@pytest.mark.skipif(not hasattr(time, "CLOCK_BOOTTIME"), reason="a clock of Linux")
def test_what_sleep_took_is_told_by_the_system_not_by_the_wall_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = HostClock()
    before = slept(clock)
    monkeypatch.setattr(time, "time", lambda: 0.0)
    clock.wait(clock.monotonic() + 0.02)
    assert slept(clock) - before == pytest.approx(0.0, abs=0.01)

    counted_on = time.clock_gettime(time.CLOCK_BOOTTIME) + 600.0
    monkeypatch.setattr(time, "clock_gettime", {time.CLOCK_BOOTTIME: counted_on}.__getitem__)
    assert clock.asleep() - before == pytest.approx(600.0, abs=60)


def test_where_no_clock_counts_on_during_sleep_the_wall_clock_has_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(time, "CLOCK_BOOTTIME", raising=False)
    monkeypatch.setattr(sys, "platform", "haiku")
    clock = HostClock()
    before, wall = clock.asleep(), time.time()
    monkeypatch.setattr(time, "time", lambda: wall + 600.0)

    assert clock.asleep() - before == pytest.approx(600.0, abs=60)


@pytest.mark.parametrize(("platform", "missed"), [("win32", 0.0), ("darwin", 70.0)])
def test_other_systems_have_their_own_clocks(monkeypatch: pytest.MonkeyPatch, platform: str, missed: float) -> None:
    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.setattr(time, "CLOCK_MONOTONIC_RAW", 1001, raising=False)
    monkeypatch.setattr(time, "CLOCK_UPTIME_RAW", 1002, raising=False)
    monkeypatch.setattr(time, "clock_gettime", {1001: 100.0, 1002: 30.0}.__getitem__)

    assert HostClock().asleep() == missed


def test_another_thread_ends_a_wait() -> None:
    clock = HostClock()
    threading.Timer(0.02, clock.wake).start()
    began = time.monotonic()
    clock.wait(math.inf)
    assert time.monotonic() - began < 60


def test_waking_before_the_wait_counts_once() -> None:
    clock = HostClock()
    clock.wake()
    clock.wake()
    clock.wait(math.inf)
    began = time.monotonic()
    clock.wait(began + 0.03)
    assert time.monotonic() - began >= 0.03


def test_asking_for_off_wakes_and_is_kept_until_acknowledged() -> None:
    clock = HostClock()
    threading.Thread(target=clock.ask_off).start()
    clock.wait(math.inf)
    assert clock.interruption() is Interruption.OFF_ASKED
    assert clock.interruption() is Interruption.OFF_ASKED
    clock.acknowledge()
    assert clock.interruption() is None
    clock.acknowledge()


def test_interruptions_of_several_kinds_are_all_kept_in_order() -> None:
    clock = HostClock()
    clock.hang_up()
    clock.ask_off()
    clock.hang_up()
    seen = []
    while (interruption := clock.interruption()) is not None:
        seen.append(interruption)
        clock.acknowledge()
    assert seen == [Interruption.HANG_UP, Interruption.OFF_ASKED]


@posix
@pytest.mark.parametrize(
    ("name", "meaning"),
    [
        ("SIGINT", Interruption.CTRL_C),
        ("SIGQUIT", Interruption.CTRL_C),
        ("SIGTERM", Interruption.TERMINATE),
        ("SIGHUP", Interruption.HANG_UP),
        ("SIGTSTP", Interruption.SUSPEND),
    ],
)
def test_a_signal_ends_the_wait_and_is_noted(name: str, meaning: Interruption) -> None:
    clock, number = HostClock(), getattr(signal, name)
    before = signal.getsignal(number)
    signal.signal(number, signal.SIG_DFL if before is signal.SIG_IGN else before)
    try:
        with clock.signals():
            threading.Timer(0.02, os.kill, (os.getpid(), number)).start()
            began = time.monotonic()
            while clock.interruption() is None and time.monotonic() - began < 60:
                clock.wait(began + 60)
            assert time.monotonic() - began < 50
            assert clock.interruption() is meaning
    finally:
        signal.signal(number, before)


@posix
def test_signals_are_given_back() -> None:
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP, signal.SIGQUIT, signal.SIGTTOU)
    before = [signal.getsignal(number) for number in numbers]
    with pytest.raises(KeyError), HostClock().signals():  # noqa: PT012 - looked at while they are taken
        assert signal.getsignal(signal.SIGTTOU) is signal.SIG_IGN
        raise KeyError
    assert [signal.getsignal(number) for number in numbers] == before


@posix
def test_a_hang_up_that_was_ignored_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with HostClock().signals():
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


def test_signals_are_refused_outside_the_main_thread() -> None:
    refused: list[str] = []

    def take() -> None:
        try:
            with HostClock().signals():
                refused.append("taken")
        except RuntimeError as error:
            refused.append(str(error))

    thread = threading.Thread(target=take)
    thread.start()
    thread.join(60)
    assert refused == ["signals can be taken in the main thread only"]


ATTEMPT = """
import sys
from bringup.host.clock import HostClock
from bringup.runner.records import Interruption
from tests.conftest import pass_on_no_ignored_hang_up
clock = HostClock()
with clock.signals():
    print("ready", flush=True)
    while True:
        clock.wait(clock.monotonic() + 20)
        interruption = clock.interruption()
        if interruption is None:
            continue
        print(interruption.value, flush=True)
        if interruption is Interruption.TERMINATE:
            break
        if interruption is Interruption.SUSPEND:
            clock.acknowledge()
            clock.suspend_now()
            print("continued", flush=True)
print("switched off", flush=True)
"""


def start() -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", ATTEMPT], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


@posix
def test_ctrl_c_again_and_again_breaks_nothing() -> None:
    with start() as process:
        assert process.stdout is not None
        for _ in range(3):
            process.send_signal(signal.SIGINT)
            assert process.stdout.readline() == "Ctrl-C\n"
        process.kill()


@posix
def test_ctrl_z_stops_the_process_only_when_it_says_so() -> None:
    with start() as process:
        assert process.stdout is not None
        process.send_signal(signal.SIGTSTP)
        assert process.stdout.readline() == "Ctrl-Z\n"
        _, status = os.waitpid(process.pid, os.WUNTRACED)
        assert os.WIFSTOPPED(status)
        assert os.WSTOPSIG(status) == signal.SIGSTOP
        process.send_signal(signal.SIGCONT)
        assert process.stdout.readline() == "continued\n"
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=60)
        assert (out, err, process.returncode) == ("SIGTERM\nswitched off\n", "", 0)


@pytest.mark.skipif(sys.platform != "linux", reason="what a process ignores is read from /proc")
def test_a_suite_that_ignores_hang_ups_starts_nothing_that_does(monkeypatch: pytest.MonkeyPatch) -> None:
    """As under nohup: what is ignored here would stay ignored in every `bringup` that a test starts."""
    monkeypatch.setenv("BRINGUP_TEST_NOHUP", "")
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        pass_on_no_ignored_hang_up()
        os.kill(os.getpid(), signal.SIGHUP)  # and this process lives on
        child = subprocess.run(["grep", "SigIgn", "/proc/self/status"], capture_output=True, text=True, check=True)
    finally:
        signal.signal(signal.SIGHUP, before)
    assert not int(child.stdout.split()[1], 16) & 1 << (signal.SIGHUP - 1)
