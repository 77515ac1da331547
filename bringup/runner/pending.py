"""Pending: a value on its way. The promise that everything asynchronous between runner and edge is expressed in."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")
U = TypeVar("U")


class Pending(Generic[T]):
    """A value on its way. Settled once, from any thread; read at the wait point by the main thread only."""

    def __init__(self, deadline: float, wake: Callable[[], None] = lambda: None) -> None:
        """`deadline`: monotonic seconds after which the other side counts as lost."""
        self.deadline = deadline
        self.whose = ""
        """Who is waited for, where that is one of several; '' where whoever waits knows."""
        self.known_by_then: Callable[[], T] | None = None
        """What is known once its deadline has passed, where that is more than nothing."""
        self._wake = wake
        self._lock = threading.Lock()
        self._done = False
        self._value: T | None = None
        self._error: BaseException | None = None
        self._then: list[Callable[[], None]] = []
        self._relayed = False
        """Whether a Pending made of this one has called the same `wake` already: waking twice costs a turn."""

    @property
    def done(self) -> bool:
        """Whether a value or an error has come."""
        return self._done

    def settle(self, value: T) -> None:
        """Give the value. A second call is ignored: the first outcome stands."""
        self._finish(value, None)

    def fail(self, error: BaseException) -> None:
        """Give an error, which `value` will raise."""
        self._finish(None, error)

    def value(self) -> T:
        """Return the value or raise the error. Call only when done."""
        assert self._done, "value() of a pending that is not done"
        if self._error is not None:
            raise self._error
        return self._value  # type: ignore[return-value]

    def then(self, read: Callable[[T], U]) -> Pending[U]:
        """Return a Pending of `read(value)`. `read` may run in the thread that settles: keep it pure."""
        mapped: Pending[U] = Pending(self.deadline, self._wake)

        def carry() -> None:
            try:
                mapped.settle(read(self.value()))
            except Exception as error:  # noqa: BLE001 - carried to whoever reads the value
                mapped.fail(error)
            self._relayed = True

        self.when_done(carry)
        return mapped

    def chain(self, step: Callable[[T], Pending[U]], allowance: float = 0.0) -> Pending[U]:
        """Return a Pending of what `step(value)` in turn promises, due `allowance` seconds after this one.

        `step` may run in the thread that settles: it may submit to a Link and nothing else.
        """
        outer: Pending[U] = Pending(self.deadline + allowance, self._wake)

        def carry() -> None:
            try:
                inner = step(self.value())
            except Exception as error:  # noqa: BLE001 - carried to whoever reads the value
                outer.fail(error)
                return
            if math.isinf(self.deadline):  # This one was there from the beginning: what is waited for is the other.
                outer.deadline = inner.deadline + allowance
            inner.when_done(lambda: outer.copy(inner))
            self._relayed = outer.done

        self.when_done(carry)
        return outer

    def when_done(self, call: Callable[[], None]) -> None:
        """Call once this is done: now if it is already, else in the thread that settles it."""
        with self._lock:
            if not self._done:
                self._then.append(call)
                return
        call()

    def copy(self, other: Pending[T]) -> None:
        """Take over the outcome of another Pending that is done."""
        self._finish(other._value, other._error)

    def _finish(self, value: T | None, error: BaseException | None) -> None:
        with self._lock:
            if self._done:
                return
            self._value, self._error, self._done = value, error, True
            followers, self._then = self._then, []
        for follower in followers:
            follower()
        if not self._relayed:
            self._wake()
