"""One simulated world as each of several supplies sees it: its outputs by the numbers that stand on itself."""

from __future__ import annotations

from functools import partial
from typing import Any, cast

from bringup.simulation.physics import World

OF_AN_OUTPUT = frozenset(name for name, each in vars(World).items() if "output" in getattr(each, "__annotations__", {}))
"""What is asked or told of an output, whose number comes first."""


class _Shifted:
    """The world, its outputs counted from another one on."""

    def __init__(self, world: World, first: int) -> None:
        self._world = world
        self._first = first

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._world, name)
        return partial(self._told, found) if name in OF_AN_OUTPUT else found

    def _told(self, method: Any, output: int, *others: Any, **named: Any) -> Any:
        return method(output + self._first, *others, **named)


def seen_from(world: World, first: int) -> World:
    """Return the world in which output 1 is the one after `first`."""
    return cast("World", _Shifted(world, first))
