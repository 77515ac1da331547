"""Supplies with a general switch behind each output's own: power is at an output when both are on.

Before the general one goes on, every other output's own switch is off and says so, or what nobody meant to power would
be powered with it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from typing import Protocol

from bringup.core.dialect import Dialect
from bringup.runner.exchange import one_by_one, settled
from bringup.runner.pending import Pending
from bringup.runner.roles import Done, Trouble
from bringup.runner.supply_replies import both


class Set(Protocol):
    """Tell one setting to one output and read it back."""

    def __call__(self, output: int, operation: str, *, on: bool) -> Pending[Done]:
        """Return what came of it."""


def switch_on(dialect: Dialect, tell: Set, output: int, meant: Collection[int]) -> Pending[Done]:
    """Switch an output on, the general switch last. `meant`: all outputs that are to be on, this one too."""
    own: list[bool | None] = []

    def off(other: int) -> Callable[[], Pending[Done]]:
        return lambda: tell(other, "switch", on=False).then(lambda done: _surely_off(other, done))

    def ours() -> Pending[Done]:
        return tell(output, "switch", on=True).then(noted)

    def noted(done: Done) -> Done:
        own.append(done.on)
        return done

    def general() -> Pending[Done]:
        return tell(output, "master", on=True).then(lambda done: replace(done, on=both(own[0], done.on)))

    others = [off(other) for other in range(1, dialect.outputs + 1) if other not in meant]
    return one_by_one(settled(Done()), [*others, ours, general], dialect.timeout)


def _surely_off(other: int, done: Done) -> Done:
    if done.on is False:
        return replace(done, on=None)
    said = "does not say" if done.on is None else "says that it is on"
    text = f"output {other} was to be off before power comes on, and the supply {said}"
    return replace(done, troubles=(*done.troubles, Trouble("", text, wrong=True)))
