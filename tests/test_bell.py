"""Waits that others end: none is lost, none lasts longer than it may."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from queue import Empty
from types import FrameType

import pytest

from bringup.host.bell import Bell, Letters
from bringup.host.clock import HostClock

WITHIN = 60.0
"""Seconds that guard a test against hanging."""


def ends(work: Callable[[], None]) -> bool:
    """Whether it comes to its end; it is left behind where it does not."""
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(WITHIN)
    return not thread.is_alive()


def test_a_wait_whose_time_is_up_while_it_takes_an_older_ring_ends() -> None:
    clock = HostClock()

    def work() -> None:
        for _ in range(8000):
            clock.wake()
            clock.wait(clock.monotonic() + 1.0)
            clock.wait(clock.monotonic() + 2e-6)

    assert ends(work)


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_a_wait_whose_time_is_up_while_a_signal_is_handled_ends() -> None:
    handled = []

    def handle(number: int, frame: FrameType | None) -> None:
        del frame
        until = time.monotonic() + 0.05
        while time.monotonic() < until:
            pass
        handled.append(number)

    before = signal.signal(signal.SIGALRM, handle)
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.01)
        assert not Bell().wait(0.03)
        signal.setitimer(signal.ITIMER_REAL, 0.01)
        letters: Letters[int] = Letters()
        with pytest.raises(Empty):
            letters.get(0.03)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
    assert handled == [signal.SIGALRM] * 2


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_a_signal_handler_may_ring() -> None:
    bell = Bell()
    before = signal.signal(signal.SIGALRM, lambda *_: bell.ring())
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.01)
        assert bell.wait(WITHIN)
    finally:
        signal.signal(signal.SIGALRM, before)


def test_rings_before_a_wait_count_as_one() -> None:
    bell = Bell()
    bell.ring()
    bell.ring()
    assert bell.wait(0.0)
    assert not bell.wait(0.0)
    assert not bell.wait(-1.0)


def test_every_letter_arrives_and_those_of_one_sender_in_their_order() -> None:
    letters: Letters[tuple[int, int]] = Letters()
    got: list[tuple[int, int]] = []
    senders, each = 4, 2000

    def send(sender: int) -> None:
        for number in range(each):
            letters.put((sender, number))

    def take() -> None:
        while len(got) < senders * each:
            got.append(letters.get(WITHIN))

    threads = [threading.Thread(target=send, args=(sender,)) for sender in range(senders)]
    for thread in threads:
        thread.start()
    assert ends(take)
    for thread in threads:
        thread.join()
    for sender in range(senders):
        assert [number for of, number in got if of == sender] == list(range(each))


def test_a_box_without_a_letter_is_empty_when_the_time_is_up() -> None:
    letters: Letters[str] = Letters()
    begun = time.monotonic()
    with pytest.raises(Empty):
        letters.get(0.02)
    assert time.monotonic() - begun >= 0.02
    letters.put("here")
    assert letters.get(0.0) == "here"
