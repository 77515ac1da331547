"""`bringup bench`: who answers on a bench, how it is set, what errors wait, and whether a calibration is overdue.

Only asks: no output, level, limit or protection is changed. Reading the error queues empties them, so what waited there
is shown.
"""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup.commands.bench_text import InstrumentFound, OutputFound, instrument_data, instrument_lines
from bringup.commands.common import bench_option, find_bench, json_option, print_json, show_left_messages
from bringup.commands.reaching import dialect_of, lock_names, reached, roles_of, wanted_of
from bringup.commands.saying import say
from bringup.commands.tracing import trace_option, tracing
from bringup.core.bench import Bench, Identity, MeterRole, ScannerRole, SupplyRole
from bringup.core.models import as_model, pick
from bringup.core.needs import unreached
from bringup.errors import BringupError, ExitCode

if TYPE_CHECKING:
    from bringup.core.dialect import Dialect
    from bringup.instruments.opening import Opened
    from bringup.instruments.traced import Note
    from bringup.instruments.visa_link import VisaLink

Role = SupplyRole | MeterRole | ScannerRole
ROUND_TRIPS = 5
"""So many identifications are timed; the median is shown."""


@click.command()
@bench_option
@trace_option
@json_option
def command(bench: Path | None, trace: Path | None, as_json: bool) -> ExitCode:
    """Show who answers, how every output is set, errors waiting and calibration due. Nothing is changed.

    Exit codes: 0 everybody answers; 2 somebody does not, or is not who the bench file says.
    """
    from bringup.files.bench_file import load_bench

    show_left_messages()
    path = find_bench(bench)
    described = load_bench(path)
    with tracing(trace, "bench") as kept:
        found = look(described, None if kept is None else kept.note)
    today = datetime.now(UTC).astimezone().date()
    if as_json:
        data = [instrument_data(each, today) for each in found]
        print_json({"bench": described.name, "path": str(path), "instruments": data})
    else:
        say(f"{described.name} ({path})")
        for each in found:
            say("\n".join(("", *instrument_lines(each, today))))
    return ExitCode.REFUSED if any(each.problem for each in found) else ExitCode.PASSED


def look(bench: Bench, note: Note | None = None) -> list[InstrumentFound]:
    """Ask every instrument of the bench; `note` hears what is said. Raises BenchError where somebody else uses it."""
    from bringup.host.lock import About, hold
    from bringup.instruments.opening import POWER_UP, try_connect

    with ExitStack() as leave:
        leave.enter_context(hold(lock_names(bench), About("bringup bench")))
        resources = leave.enter_context(reached(bench))
        opened = try_connect(
            wanted_of(bench, resources),
            backend=bench.backend,
            patience=POWER_UP,
            waiting=lambda text: say(text, err=True),
            note=note,
        )
        leave.callback(opened.close)
        found = [_found(bench, name, role, resources.get(name, ""), opened) for name, role in roles_of(bench).items()]
        if (card := bench.scanner) is not None and card.in_meter:
            due, at = card.calibration_due, "in the meter"
            found.append(
                InstrumentFound("scanner", False, False, at, card.dialect, channels=card.channels, calibration_due=due)
            )
        return found


def _found(bench: Bench, name: str, role: Role, resource: str, opened: Opened) -> InstrumentFound:
    found = InstrumentFound(name, role.by_hand, calibration_due=role.calibration_due)
    if role.by_hand:
        return found
    found = replace(found, resource=resource, dialect=role.dialect, problem=opened.missing.get(name, ""))
    link = opened.links.get(name)
    if link is None:
        return found
    identity = link.identity
    found = replace(found, identity=identity, simulated=identity is not None and identity.simulated)
    found = replace(found, fits=_fitting(bench, name, identity), lacks=unreached(_model_of(bench, name, identity)))
    try:
        return _asked(bench, role, link, found)
    except BringupError as error:
        return replace(found, problem=error.message)


def _fitting(bench: Bench, role: str, identity: Identity | None) -> tuple[str, ...]:
    """Return the names of the dialects that are made for what answers."""
    from bringup.files.dialect_file import known_dialects

    if identity is None:
        return ()
    return tuple(each.name for each in pick(identity.text, known_dialects(bench.path, role)))


def _model_of(bench: Bench, role: str, identity: Identity | None) -> Dialect:
    dialect = dialect_of(bench, role)
    return dialect if identity is None else as_model(dialect, identity.text)


def _asked(bench: Bench, role: Role, link: VisaLink, found: InstrumentFound) -> InstrumentFound:
    """Ask one instrument that answers everything we want to know. Raises BringupError."""
    from bringup.instruments.opening import result
    from bringup.runner.scpi_meter import ScpiMeter
    from bringup.runner.scpi_scanner import ScpiScanner
    from bringup.runner.scpi_supply import ScpiSupply

    dialect = dialect_of(bench, found.role)
    if isinstance(role, MeterRole):
        meter = ScpiMeter(role, dialect, link, resource=found.resource)
        return replace(found, attached=result(meter.attach()), round_trip=_round_trip(link))
    if isinstance(role, ScannerRole):
        scanner = ScpiScanner(role, dialect, link, resource=found.resource)
        return replace(found, attached=result(scanner.attach()), round_trip=_round_trip(link), channels=role.channels)
    supply = ScpiSupply(role, dialect, link, resource=found.resource)
    attached = result(supply.attach())
    fed_from = {number: name for name, number in role.outputs.items()}
    outputs = []
    for output in supply.outputs():
        settings = result(supply.settings(output))
        sample = result(supply.poll(output)) if settings.on else None
        outputs.append(OutputFound(settings, fed_from.get(output), output in role.leave_alone, sample))
    return replace(found, attached=attached, round_trip=_round_trip(link), outputs=tuple(outputs))


def _round_trip(link: VisaLink) -> float | None:
    from bringup.instruments.opening import result
    from bringup.instruments.wire import IDENTIFY

    replies = result(link.submit((IDENTIFY,) * ROUND_TRIPS))
    times = sorted(reply.received - reply.sent for reply in replies if reply.fault is None)
    return times[len(times) // 2] if times else None
