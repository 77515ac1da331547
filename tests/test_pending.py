"""The promise that everything asynchronous is expressed in: settled once, followed, chained, waking once."""

from __future__ import annotations

import threading

import pytest

from bringup.errors import LinkError
from bringup.runner.pending import Pending


def counted() -> tuple[Pending[int], list[str]]:
    woken: list[str] = []
    return Pending(10.0, lambda: woken.append("woken")), woken


def test_the_first_outcome_stands() -> None:
    pending, woken = counted()
    pending.settle(1)
    pending.settle(2)
    pending.fail(LinkError("late", instrument="meter"))
    assert (pending.value(), woken) == (1, ["woken"])


def test_what_is_made_of_it_has_its_value_deadline_and_error() -> None:
    pending, woken = counted()
    doubled, quarter = pending.then(lambda value: value * 2), pending.then(lambda value: 1 // value)
    assert (doubled.done, doubled.deadline) == (False, 10.0)
    pending.settle(0)
    assert doubled.value() == 0
    with pytest.raises(ZeroDivisionError):
        quarter.value()
    assert woken
    assert pending.then(str).value() == "0", "also when it is done already"


def test_a_chain_waits_for_the_second_and_is_due_later() -> None:
    pending, woken = counted()
    second: Pending[str] = Pending(11.0)
    outer = pending.chain(lambda _value: second, 5.0)
    assert outer.deadline == 15.0
    pending.settle(1)
    assert (outer.done, woken) == (False, ["woken"])
    second.settle("there")
    assert (outer.value(), woken) == ("there", ["woken"] * 2)


def test_a_chain_carries_the_error_of_either() -> None:
    pending, _ = counted()
    outer = pending.chain(lambda _value: Pending[int](1.0))
    pending.fail(LinkError("lost", instrument="meter"))
    with pytest.raises(LinkError, match="lost"):
        outer.value()
    pending, _ = counted()
    second: Pending[int] = Pending(1.0)
    outer = pending.chain(lambda _value: second)
    second.fail(LinkError("lost later", instrument="meter"))
    assert not outer.done
    pending.settle(1)
    with pytest.raises(LinkError, match="lost later"):
        outer.value()


def test_whoever_waits_is_woken_once_for_one_outcome_however_often_it_was_mapped() -> None:
    pending, woken = counted()
    second: Pending[int] = Pending(1.0)
    second.settle(2)
    outer = pending.then(lambda value: value + 1).chain(lambda _value: second)
    pending.settle(1)
    assert (outer.value(), woken) == (2, ["woken"])


def test_settling_and_following_from_two_threads_never_loses_the_value() -> None:
    for _ in range(200):
        pending: Pending[int] = Pending(1.0)
        thread = threading.Thread(target=pending.settle, args=(1,))
        thread.start()
        mapped = pending.then(lambda value: value + 1)
        thread.join()
        assert mapped.value() == 2


def test_what_follows_a_value_that_was_there_already_keeps_its_own_deadline() -> None:
    there: Pending[int] = Pending(float("inf"))
    there.settle(1)
    slow: Pending[int] = Pending(5.0)
    assert there.chain(lambda _: slow, 2.0).deadline == 7.0
