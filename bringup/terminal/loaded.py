"""What the electronic load draws at this moment, by the point it draws from: for the live view. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from bringup.runner.protocols import Told


def loaded_after(before: Mapping[str, str], told: Told) -> Mapping[str, str]:
    """Return point -> draw in words after something was told; whatever is no turn of the load changes nothing."""
    on, point = told.data.get("on"), told.data.get("point")
    if told.data.get("kind") != "load" or on not in ("yes", "no"):
        return before
    if on == "yes":
        return {**before, str(point): str(told.data.get("draws", ""))}
    return {} if point is None else {name: draws for name, draws in before.items() if name != point}


def loaded_words(loaded: Mapping[str, str]) -> str:
    """Return what is drawn as one line: 'LOAD ON  3V3: constant current 50 mA'."""
    return "LOAD ON  " + "; ".join(f"{point}: {draws}" for point, draws in loaded.items())
