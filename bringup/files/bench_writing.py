"""The text of a first bench file, from what was found and what a person stated. What nobody stated says so.

Nothing is made up: a ceiling or dialect that nobody named stands as TO BE STATED, which `bringup check` refuses.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from bringup.core.bench import Identity
from bringup.core.frozen import frozen
from bringup.core.harmless import harmless
from bringup.files.sections import TO_BE_STATED


@frozen
class RoleWritten:
    """What is written of one role. `resource` None: by hand."""

    resource: str | None
    dialect: str = ""
    """'': to be stated."""
    others: tuple[str, ...] = ()
    """Other resource strings of the same instrument."""
    called: str = ""
    """What it is, for a comment."""
    identity: Identity | None = None
    """Who answered there."""
    baud: int | None = None


@frozen
class BenchWritten:
    """What is written of a bench. A ceiling is a text as a data sheet writes it; '': to be stated."""

    name: str
    supply: RoleWritten | None
    meter: RoleWritten | None
    ceiling_voltage: str = ""
    ceiling_current: str = ""
    backend: str = ""
    written_on: date = date.min


def bench_text(bench: BenchWritten) -> str:
    """Return the file: a bench of these roles, with comments."""
    return "".join(f"{each}\n" for each in _lines(bench))


def _lines(bench: BenchWritten) -> Iterator[str]:
    yield f"# Begun by `bringup bench --find` on {bench.written_on.isoformat()}."
    yield f"# Whatever says {TO_BE_STATED} is yours to state; `bringup check` with this file's name tells what is left."
    yield "# Every key that may stand here: bringup check --fields bench"
    yield f"bench: {quoted(bench.name)}"
    if bench.supply is not None:
        yield "supply:"
        yield from _role(bench.supply)
        if bench.supply.resource is not None:
            yield "  # Which output feeds which input of the board; left out, output 1 feeds every input:"
            yield "  # outputs: {VIN: 1}"
            yield "  # Outputs that are never touched, such as those that feed something else:"
            yield "  # leave_alone: [3]"
        yield "  # What no step may exceed on this bench, whatever a procedure says:"
        yield "  ceiling:"
        yield f"    voltage: {bench.ceiling_voltage or TO_BE_STATED}"
        yield f"    current: {bench.ceiling_current or TO_BE_STATED}"
    if bench.meter is not None:
        yield "meter:"
        yield from _role(bench.meter)
    yield "# `fixed wiring` where the meter reaches the points without anybody's hands:"
    yield "probing: by hand"
    if bench.backend:
        yield f"backend: {quoted(bench.backend)}"


def _role(role: RoleWritten) -> Iterator[str]:
    if role.called:
        yield f"  # {harmless(role.called)}"
    if role.resource is None:
        yield "  resource: by hand"
        return
    yield f"  resource: {quoted(role.resource)}"
    for other in role.others:
        yield f"  # another way to it: {harmless(other)}"
    yield f"  dialect: {role.dialect or TO_BE_STATED}"
    if role.baud is not None:
        yield f"  serial_port: {{baud: {role.baud}}}"
    if role.identity is not None:
        who = {"maker": role.identity.maker, "model": role.identity.model, "serial": role.identity.serial}
        usable = {name: text for name, text in who.items() if text.strip() and text.isprintable()}
        fields = ", ".join(f"{name}: {quoted(text)}" for name, text in usable.items())
        if fields:
            yield "  # Whoever else answers there is refused:"
            yield f"  expect: {{{fields}}}"
    yield "  # When its calibration runs out:"
    yield "  # calibration_due: 2027-03-01"


def quoted(text: str) -> str:
    """Return a text as YAML writes it in single quotes: nothing in it means anything but itself."""
    return "'" + harmless(text).replace("'", "''") + "'"
