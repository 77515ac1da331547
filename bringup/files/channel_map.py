"""Numbers that a bench file gives to points of the board: outputs of a supply, channels of a load or a scanner."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from types import MappingProxyType

from bringup.files.nodes import Problems
from bringup.files.shapes import Entry
from bringup.files.wording import nearest


def check_numbers(
    entries: Iterable[Entry],
    clash: str,
    known: Collection[str] | None,
    what: str,
    problems: Problems,
    *,
    taken: Mapping[int, str] = MappingProxyType({}),
) -> None:
    """Report a number that two names share (`clash`: of the number and the first name), and a name that is not `known`.

    `known`: the `what`s of the simulated board; None where there is none. `taken`: what uses a number already.
    """
    users = dict(taken)
    for entry in entries:
        name = entry.key.text if entry.key is not None else ""
        if entry.value in users:
            problems.add(entry.node, clash.format(entry.value, users[entry.value]))
        users.setdefault(entry.value, name)
        if known is not None and name not in known and entry.key is not None:
            problems.add(entry.key, f"the simulated board has no {what} called '{name}'", nearest(name, known))
