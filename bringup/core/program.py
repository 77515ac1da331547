"""What a program of this computer is given: arguments by markers that are replaced whole, and variables.

Nothing of a unit is ever pasted into a text: a marker is an argument of its own, and what replaces it stays one
argument. A value that a program could take for an option is refused. Pure; runner and host do the rest.
"""

from __future__ import annotations

from collections.abc import Mapping

from bringup.core.late import late
from bringup.core.procedure import HostProgram, Procedure

MARKERS = ("serial", "attempt", "board_state", "loads")
"""What may stand in braces as an argument of its own."""

_MARKER = late(r"\{([A-Za-z_ ]+)\}")
_NOT_IN_A_NAME = late(r"[^A-Z0-9_]")


def marker_of(argument: str) -> str | None:
    """Return the word of an argument that is one marker and nothing else; None for any other argument."""
    found = _MARKER.fullmatch(argument)
    return None if found is None else found.group(1)


def pasted_marker(argument: str) -> str | None:
    """Return the known marker that stands inside a longer argument, as it must not; None if there is none."""
    if marker_of(argument) is not None:
        return None
    return next((word for word in _MARKER.findall(argument) if word in MARKERS), None)


def filled(program: tuple[str, ...], values: Mapping[str, str]) -> tuple[str, ...]:
    """Return the arguments with every marker replaced by its value, whole. `values` holds every marker."""
    return tuple(values[word] if (word := marker_of(one)) is not None else one for one in program)


def unfit(program: tuple[str, ...], values: Mapping[str, str]) -> str:
    """Return why a value cannot be an argument; '' if all can. What looks like an option would be taken for one."""
    for word in (marker_of(one) for one in program):
        if word is None:
            continue
        if not values[word]:
            return f"{{{word}}} has no value here"
        if values[word].startswith("-") or "\0" in values[word]:
            return f"{{{word}}} is {values[word]!r}, which a program would take for an option"
    return ""


def variable_of(name: str) -> str:
    """Return the environment variable that holds an input's set volts: BRINGUP_INPUT_VIN for VIN."""
    return "BRINGUP_INPUT_" + _NOT_IN_A_NAME.sub("_", name.upper())


def programs_of(procedure: Procedure) -> list[tuple[int, HostProgram]]:
    """Return every program of a procedure with the index of its step."""
    return [(step.index, step.action) for step in procedure.steps if isinstance(step.action, HostProgram)]


def listed_arguments(arguments: tuple[str, ...]) -> str:
    """Return arguments for people so that each can be told from its neighbours, and none does anything to a screen."""
    return "[" + ", ".join(one if _plain(one) else repr(one) for one in arguments) + "]"


def _plain(argument: str) -> bool:
    return bool(argument) and argument.isprintable() and not set(argument) & set("[],'\"\\ ")
