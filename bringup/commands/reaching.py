"""Where the instruments of a bench are reached: resource strings, locks, and the simulation started if need be.

Shared by every command that speaks to a bench.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from bringup.core.bench import Bench, Identity, LoadRole, MeterRole, ScannerRole, ScopeRole, SupplyRole
from bringup.host.lock import INSTRUMENT

if TYPE_CHECKING:
    from bringup.core.dialect import Dialect
    from bringup.instruments.opening import Wanted
    from bringup.runner.protocols import Link


Role = SupplyRole | MeterRole | LoadRole | ScannerRole | ScopeRole


def roles_of(bench: Bench) -> dict[str, Role]:
    """Return the bench's roles by name, each an instrument of its own: not a scanner that is a card in the meter."""
    roles: dict[str, Role | None] = {"supply": bench.supply, **{each.name: each for each in bench.more_supplies}}
    roles |= {"meter": bench.meter, "load": bench.load}
    if bench.scanner is not None and not bench.scanner.in_meter:
        roles["scanner"] = bench.scanner
    roles["scope"] = bench.scope
    return {name: role for name, role in roles.items() if role is not None}


def in_traces(bench: Bench) -> dict[str, str]:
    """Return what each role is called in a trace: the name of a further supply may be any text."""
    return {name: name for name in roles_of(bench)} | {
        each.name: f"supply{number}" for number, each in enumerate(bench.more_supplies, 2)
    }


def lock_name(bench: Bench, role: str) -> str:
    """Return what is locked for a role that is not by hand: its resource, or the simulated role of this bench file.

    A simulated instrument listens elsewhere each time; what two commands must not both use is the bench file's role.
    """
    found = roles_of(bench)[role]
    return found.resource or f"SIMULATED::{Path(bench.path).resolve()}::{role}"


def guardian_lock(lock: str) -> str:
    """Return the name under which `bringup off` finds the guardian of a supply, beside whoever drives the supply."""
    return f"GUARDIAN::{lock}"


NOBODYS_NUMBERS = frozenset({"NA", "NONE", "UNKNOWN", "NULL"})
"""What some instruments say in the place of a serial number."""


def instrument_locks(*answered: Identity | None) -> tuple[str, ...]:
    """Return what is locked beside the resource, once it is known who answers: two names may lead to one instrument.

    Only where maker, model and serial number tell one instrument from all others. Simulated ones are all alike, and
    are told apart by where they are.
    """
    found = []
    for each in answered:
        if each is None or each.simulated or not (each.maker and each.model):
            continue
        number = "".join(one for one in each.serial.upper() if one.isalnum())
        if number.strip("0") and number not in NOBODYS_NUMBERS:
            found.append(f"{INSTRUMENT}::{each.maker}::{each.model}::{each.serial}")
    return tuple(found)


def one_instrument(bench: Bench, links: Mapping[str, Link]) -> str:
    """Say which of several supplies are one instrument, reached in two ways; '' where each is one of its own.

    Either session would select an output behind the other one's back.
    """
    found: dict[str, str] = {}
    for name in (each.name for each in bench.supplies if bench.more_supplies and each.name in links):
        for lock in instrument_locks(links[name].identity):
            if lock in found:
                return f"the {found[lock]} and the {name} are one instrument ({lock.removeprefix(INSTRUMENT + '::')})"
            found[lock] = name
    return ""


def guarded_roles(bench: Bench) -> tuple[str, ...]:
    """Return what guardians of this bench switch off, one each: its supplies, or with one set by hand the load.

    None of them where nothing would be left on that a guardian could reach: a simulated load ends with the tool.
    """
    if bench.supply is not None and not bench.supply.by_hand:
        return tuple(each.name for each in bench.supplies)
    return ("load",) if bench.load is not None and bench.load.resource is not None else ()


def lock_names(bench: Bench) -> tuple[str, ...]:
    """Return what is locked for a bench: its instruments, and the serial lines that are heard."""
    lines = (f"LINE::{line.where}" for line in bench.lines.values() if not line.simulated)
    return *(lock_name(bench, name) for name, role in roles_of(bench).items() if not role.by_hand), *lines


@contextmanager
def reached(bench: Bench, *, serial: str = "") -> Iterator[dict[str, str]]:
    """Give role -> resource string of every role that is not by hand; simulated ones are served while this lasts.

    So are simulated serial lines, by their names.
    """
    roles = roles_of(bench)
    lines = [line.name for line in bench.lines.values() if line.simulated]
    real = {name: role.resource for name, role in roles.items() if role.resource is not None}
    if not lines and all(name in real or role.by_hand for name, role in roles.items()):
        yield real
        return
    from bringup.commands.simulated_child import simulated_bench

    variant = "" if bench.simulate is None else bench.simulate.variant
    with simulated_bench(Path(bench.path), serial=serial, variant=variant) as served:
        wanted = [name for name, role in roles.items() if name in served and not role.by_hand]
        yield {**{name: served[name] for name in (*wanted, *lines)}, **real}


def dialect_of(bench: Bench, role: str) -> Dialect:
    """Return the dialect of a role that is not by hand. Raises BenchError or FileError."""
    named = bench.scanner if role == "scanner" else roles_of(bench)[role]
    assert named is not None, "whoever asks has the role from the bench"
    name = named.dialect
    read = bench.dialects.get(role)
    if read is not None and read.name == name:
        return read
    from bringup.files.dialect_file import find_dialect

    return find_dialect(name, bench.path)


def undecided(bench: Bench, role: str, identity: Identity | None) -> str:
    """Say why what answers is not what decided a role's dialect, where the bench file leaves that out; '' if it is.

    A simulated instrument speaks any dialect.
    """
    if role not in bench.decided or identity is None or identity.simulated:
        return ""
    from bringup.core.models import pick
    from bringup.files.bench_checks import sort_of
    from bringup.files.dialect_file import known_dialects

    fitting = [each.name for each in pick(identity.text, known_dialects(bench.path, sort_of(role)))]
    name = dialect_of(bench, role).name
    if fitting == [name]:
        return ""
    made = f"{' and '.join(fitting)} fit" if fitting else "no dialect fits"
    return f"{identity.text!r} answers as the {role}, for which {made}, where the stated model decided on {name}"


def wanted_of(bench: Bench, resources: Mapping[str, str]) -> list[Wanted]:
    """Return what is to be opened, for instruments.opening."""
    from bringup.instruments.opening import Wanted

    roles, traced = roles_of(bench), in_traces(bench)
    return [
        Wanted(name, resource, dialect_of(bench, name), roles[name].port, roles[name].address, traced[name])
        for name, resource in resources.items()
        if name in roles
    ]
