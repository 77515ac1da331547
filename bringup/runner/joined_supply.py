"""Several supplies that feed one board, taken for one (roles.Supply): each output is told apart by its number.

A number is that of the output at its own supply plus what the bench adds for that supply. What is asked of one supply
waits for no other; off goes to all of them at once, and one that is silent keeps none of the others from being told.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from bringup.core.bench import SupplyRole
from bringup.core.outputs import words_of
from bringup.errors import BringupError
from bringup.runner.emergency import SILENCE
from bringup.runner.exchange import settled
from bringup.runner.pending import Pending
from bringup.runner.records import LinkFault, PollSample
from bringup.runner.roles import Done, OneSupply, OutputSettings, Protection, Trouble
from bringup.runner.supply_replies import either

T = TypeVar("T")


class JoinedSupply:
    """Supplies of one bench, none of them by hand."""

    by_hand = False

    def __init__(self, parts: Sequence[tuple[SupplyRole, OneSupply]]) -> None:
        """`parts`: each with its role, which says what is added to its numbers and what it is called."""
        self._parts = tuple(parts)
        self._at: dict[int, tuple[SupplyRole, OneSupply]] = {}
        """Output -> whose it is."""
        for role, part in self._parts:
            for own in part.outputs():
                assert role.first + own not in self._at, "numbers are unique over the bench"
                self._at[role.first + own] = role, part

    @property
    def parts(self) -> Sequence[OneSupply]:
        """Each supply, met by itself."""
        return tuple(part for _, part in self._parts)

    def instrument(self, output: int) -> str:
        """Which supply that output is of."""
        return self._at[output][0].name

    def called(self, output: int) -> str:
        """Return what people call that output."""
        return words_of(output, [role.name for role, _ in self._parts])

    def can_protect(self, output: int, protection: Protection) -> bool:
        """Whether the supply of that output has that protection and its dialect reaches it."""
        role, part = self._at[output]
        return part.can_protect(output - role.first, protection)

    def outputs(self) -> Sequence[int]:
        """Outputs the bench file gives to inputs, plus those to be left alone."""
        return sorted(self._at)

    # each at its own supply

    def settings(self, output: int) -> Pending[OutputSettings]:
        """Read set points, protections and output state."""
        role, part = self._at[output]

        def read(found: OutputSettings) -> OutputSettings:
            return replace(found, output=output, troubles=_marked(role, found.troubles))

        return _of(role, part.settings(output - role.first).then(read))

    def poll(self, output: int) -> Pending[PollSample]:
        """Look at one output. Never raises: a silent supply is a sample with a fault."""
        role, part = self._at[output]
        return _of(role, part.poll(output - role.first).then(lambda seen: replace(seen, output=output)))

    def set_voltage(self, output: int, volts: float) -> Pending[Done]:
        """Set the level."""
        return self._done(output, lambda part, own: part.set_voltage(own, volts))

    def set_current_limit(self, output: int, amps: float) -> Pending[Done]:
        """Set the current limit."""
        return self._done(output, lambda part, own: part.set_current_limit(own, amps))

    def set_protection(
        self, output: int, protection: Protection, level: float | None, delay: float = 0.0
    ) -> Pending[Done]:
        """Set and enable a protection; `level` None disables it."""
        return self._done(output, lambda part, own: part.set_protection(own, protection, level, delay))

    def set_remote_sense(self, output: int, remote: bool) -> Pending[Done]:
        """Choose where the supply of that output senses."""
        return self._done(output, lambda part, own: part.set_remote_sense(own, remote))

    def switch(self, output: int, on: bool) -> Pending[Done]:
        """Switch one output and ask what it is now."""
        return self._done(output, lambda part, own: part.switch(own, on))

    def clear_trip(self, output: int) -> Pending[Done]:
        """Clear a tripped protection."""
        return self._done(output, lambda part, own: part.clear_trip(own))

    def _done(self, output: int, tell: Callable[[OneSupply, int], Pending[Done]]) -> Pending[Done]:
        role, part = self._at[output]
        told = tell(part, output - role.first)
        return _of(role, told.then(lambda done: replace(done, troubles=_marked(role, done.troubles))))

    # all at once

    def all_off(self) -> Pending[Done]:
        """Every output of every supply off: all supplies are told before any of them is waited for.

        `on` is False only where each of them says so.
        """
        told = [_told_off(part) for _, part in self._parts]
        off = gathered(told).then(self._all_off)
        off.known_by_then = lambda: self._all_off(told)  # what one says counts where another never comes back
        return off

    def _all_off(self, told: Sequence[Pending[Done]]) -> Done:
        dones = [_outcome(each) for each in told]
        troubles = [_marked(role, done.troubles) for (role, _), done in zip(self._parts, dones, strict=True)]
        heard = [done for done in dones if done.on is not False and not _silent(done)]
        if heard:
            # One that answered and is not off must not be taken for silence because another one is silent.
            troubles = [tuple(_no_silence(trouble) for trouble in each) for each in troubles]
        return Done(None, either([done.on for done in dones]), tuple(trouble for each in troubles for trouble in each))

    def close(self) -> None:
        """Let go of the links; outputs stay as they are."""
        for _, part in self._parts:
            part.close()


def gathered(pendings: Sequence[Pending[T]]) -> Pending[Sequence[Pending[T]]]:
    """Return a Pending of all of them, done when the last one is, with a value or an error."""
    awaited = [each.deadline for each in pendings if not each.done]
    everything: Pending[Sequence[Pending[T]]] = Pending(max(awaited, default=float("inf")))
    left, lock = [len(pendings)], threading.Lock()

    def one_more() -> None:
        with lock:
            left[0] -= 1
            last = left[0] == 0
        if last:
            everything.settle(pendings)

    for each in pendings:
        each.when_done(one_more)
    if not pendings:
        everything.settle(pendings)
    return everything


def _told_off(part: OneSupply) -> Pending[Done]:
    """Tell one supply. Whatever goes wrong becomes part of what comes of it: the next one is told all the same."""
    try:
        return part.all_off()
    except Exception as error:  # noqa: BLE001 - the others come first; it is told in what came of it
        return settled(_failed(error))


def _outcome(told: Pending[Done]) -> Done:
    if not told.done:
        return Done(troubles=(Trouble("", "no answer in time", fault=LinkFault.TIMEOUT),))
    try:
        return told.value()
    except Exception as error:  # noqa: BLE001 - as above
        return _failed(error)


def _failed(error: Exception) -> Done:
    if isinstance(error, BringupError):
        return Done(troubles=(Trouble("", error.message, fault=LinkFault.LOST),))
    return Done(troubles=(Trouble("", f"{type(error).__name__}: {error}", wrong=True),))


def _silent(done: Done) -> bool:
    return done.on is None and any(trouble.fault in SILENCE for trouble in done.troubles)


def _no_silence(trouble: Trouble) -> Trouble:
    return replace(trouble, fault=None, wrong=True) if trouble.fault in SILENCE else trouble


def _marked(role: SupplyRole, troubles: Sequence[Trouble]) -> tuple[Trouble, ...]:
    """Name the supply in what it did not do: whoever reads it knows of several."""
    return tuple(replace(each, instrument=role.name, text=f"{role.name}: {each.text}") for each in troubles)


def _of(role: SupplyRole, pending: Pending[T]) -> Pending[T]:
    pending.whose = role.name
    return pending
