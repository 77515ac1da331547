"""`bringup bench`: who answers on a bench, how it is set, what errors wait, and whether a calibration is overdue.

With --find: what may be an instrument, and a first bench file (bench_find.py).

Without --loop-back (loop_back.py) it only asks: no output, level, limit or protection is changed. Reading the error
queues empties them, so what waited there is shown.
"""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup.commands.before_opening import check_calibration, today
from bringup.commands.bench_text import ChannelFound, InstrumentFound, OutputFound, instrument_data, instrument_lines
from bringup.commands.common import bench_option, find_bench, json_option, print_json, show_left_messages
from bringup.commands.reaching import (
    dialect_of,
    instrument_locks,
    lock_names,
    one_instrument,
    reached,
    roles_of,
    undecided,
    wanted_of,
)
from bringup.commands.saying import say
from bringup.commands.tracing import trace_option, tracing
from bringup.core.bench import Bench, Identity, LoadRole, MeterRole, ScannerRole, ScopeRole, SupplyRole
from bringup.core.models import as_model, pick
from bringup.core.needs import unreached
from bringup.errors import BenchError, BringupError, CommandError, ExitCode

if TYPE_CHECKING:
    from bringup.commands.loop_back import LoopBackOutcome
    from bringup.core.dialect import Dialect
    from bringup.host.traffic_file import TrafficFile
    from bringup.instruments.opening import Opened
    from bringup.instruments.traced import Note
    from bringup.instruments.visa_link import VisaLink

Role = SupplyRole | MeterRole | LoadRole | ScannerRole | ScopeRole
ROUND_TRIPS = 5
"""So many identifications are timed; the median is shown."""


@click.command()
@bench_option
@click.option(
    "--loop-back",
    is_flag=True,
    help="Also power each output at 1 V into the meter, by your go, no board connected: what was set, what the supply "
    "reads and what the meter reads must agree; with `sense: remote` once more with the sense leads, for an open one.",
)
@trace_option
@click.option(
    "--find",
    "find_them",
    is_flag=True,
    help="List what may be an instrument: LAN (mDNS), USB, serial ports, what pyvisa lists. Opens nothing; *IDN? is "
    "asked only of those for which you agree, one by one.",
)
@click.option(
    "--write",
    metavar="FILE",
    default=None,
    type=click.Path(path_type=Path),
    help="With --find: ask for roles and ceilings, and write a first bench file.",
)
@click.option("--force", is_flag=True, help="With --write: replace a file that is there.")
@json_option
def command(
    bench: Path | None,
    loop_back: bool,
    trace: Path | None,
    find_them: bool,
    write: Path | None,
    force: bool,
    as_json: bool,
) -> ExitCode:
    """Show who answers, how every output is set, errors waiting, calibration due. Only --loop-back changes anything.

    Exit codes: 0 everybody answers (with --find: it was looked), with --loop-back agrees; 1 the loop-back check failed;
    2 somebody does not answer, is not who the bench file says, or is overdue where that is refused: nothing was
    powered; 3 called off or broken off.
    """
    from bringup.commands.lines import where_lines_are
    from bringup.files.bench_file import load_bench

    if (write is not None and not find_them) or (force and write is None):
        raise CommandError(
            "--write goes with --find, and --force with --write",
            "Such as: bringup bench --find --write corner-bench.yaml",
        )
    if find_them and loop_back:
        raise CommandError("--find and --loop-back do not go together", "First find the instruments, then check them.")
    show_left_messages()
    if find_them:
        from bringup.commands.bench_find import find

        return find(bench, write=write, force=force, trace=trace, as_json=as_json)
    path = find_bench(bench)
    described = load_bench(path)
    if loop_back:
        from bringup.commands.finishing import let_guardian_finish
        from bringup.commands.loop_back import check_before

        check_before(described)
        let_guardian_finish(described)
    day, lines = today(), where_lines_are(described) if described.lines else {}
    with tracing(trace, "bench") as kept:
        found = look(described.listening_to(()), None if kept is None else kept.note)
        sound = not any(each.problem for each in found)
        if not as_json:
            say(f"{described.name} ({path})")
            for each in found:
                say("\n".join(("", *instrument_lines(each, day))))
            for name, where in lines.items():
                say(f"\nserial line {name}: {where}")
        checked = _loop_back(described, kept, as_json=as_json) if loop_back and sound else None
    if as_json:
        data = [instrument_data(each, day) for each in found]
        more = {"loop_back": None if checked is None else checked.as_data()} if loop_back else {}
        print_json({"bench": described.name, "path": str(path), "instruments": data, "serial_lines": lines, **more})
    if not sound:
        return ExitCode.REFUSED
    check_calibration(described, day)
    return ExitCode.PASSED if checked is None else checked.exit_code


def _loop_back(bench: Bench, trace: TrafficFile | None, *, as_json: bool) -> LoopBackOutcome:
    from bringup.commands.find_text import tell
    from bringup.commands.loop_back import loop_back
    from bringup.core.loop_back import allowed

    if not as_json:
        tell(["", f"Loop-back check, no board connected. Accuracy at 1 V: {allowed(bench).said}."])
    return loop_back(bench.for_steps().listening_to(()), trace, as_json=as_json)


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
        try:
            about = About("bringup bench")
            leave.enter_context(hold(instrument_locks(*(link.identity for link in opened.links.values())), about))
        except BenchError:
            opened.close(farewell=False)  # somebody else is speaking to it
            raise
        leave.callback(opened.close)
        if why := one_instrument(bench, opened.links):
            raise BenchError(why, "Give one of them the other's outputs as well, in one role. Nothing was changed.")
        found = [_found(bench, name, role, resources.get(name, ""), opened) for name, role in roles_of(bench).items()]
        if (card := bench.scanner) is not None and card.in_meter:
            due, at = card.calibration_due, "in the meter"
            found.append(
                InstrumentFound("scanner", False, False, at, card.dialect, connects=card.channels, calibration_due=due)
            )
        return found


def _found(bench: Bench, name: str, role: Role, resource: str, opened: Opened) -> InstrumentFound:
    days = bench.calibration.warn_days
    found = InstrumentFound(name, role.by_hand, calibration_due=role.calibration_due, warn_days=days)
    if role.by_hand:
        return found
    found = replace(found, resource=resource, dialect=role.dialect, problem=opened.missing.get(name, ""))
    link = opened.links.get(name)
    if link is None:
        return found
    identity = link.identity
    found = replace(found, identity=identity, simulated=identity is not None and identity.simulated)
    found = replace(found, problem=undecided(bench, name, identity))
    found = replace(found, fits=_fitting(bench, name, identity), lacks=unreached(_model_of(bench, name, identity)))
    if found.problem:
        return found
    try:
        return _asked(bench, role, link, found)
    except BringupError as error:
        return replace(found, problem=error.message)


def _fitting(bench: Bench, role: str, identity: Identity | None) -> tuple[str, ...]:
    """Return the names of the dialects that are made for what answers."""
    from bringup.files.bench_checks import sort_of
    from bringup.files.dialect_file import known_dialects

    if identity is None:
        return ()
    return tuple(each.name for each in pick(identity.text, known_dialects(bench.path, sort_of(role))))


def _model_of(bench: Bench, role: str, identity: Identity | None) -> Dialect:
    dialect = dialect_of(bench, role)
    return dialect if identity is None else as_model(dialect, identity.text)


def _asked(bench: Bench, role: Role, link: VisaLink, found: InstrumentFound) -> InstrumentFound:
    """Ask one instrument that answers everything we want to know. Raises BringupError."""
    from bringup.instruments.opening import result
    from bringup.runner.scpi_meter import ScpiMeter
    from bringup.runner.scpi_scanner import ScpiScanner
    from bringup.runner.scpi_scope import ScpiScope
    from bringup.runner.scpi_supply import ScpiSupply
    from bringup.runner.supply_replies import no_such_output

    dialect = dialect_of(bench, found.role)
    if isinstance(role, MeterRole):
        meter = ScpiMeter(role, dialect, link, resource=found.resource)
        attached = result(meter.attach())
        set_to = _set_to(attached.dialect or dialect, link)
        return replace(found, attached=attached, set_to=set_to, round_trip=_round_trip(link, dialect))
    if isinstance(role, ScannerRole):
        scanner = ScpiScanner(role, dialect, link, resource=found.resource)
        return replace(
            found, attached=result(scanner.attach()), round_trip=_round_trip(link, dialect), connects=role.channels
        )
    if isinstance(role, ScopeRole):
        scope = ScpiScope(role, dialect, link, resource=found.resource)
        attached, probe = result(scope.attach()), (role.channel, role.probe)
        return replace(found, attached=attached, round_trip=_round_trip(link, dialect), probe=probe)
    if isinstance(role, LoadRole):
        return _load_asked(role, dialect, link, found)
    supply = ScpiSupply(role, dialect, link, resource=found.resource)
    attached = result(supply.attach())
    fed_from = {number: name for name, number in role.outputs.items()}
    outputs = []
    for output in supply.outputs():
        settings = result(supply.settings(output))
        if missing := no_such_output(settings, supply.called(output)):
            return replace(found, attached=attached, problem=missing)
        sample = result(supply.poll(output)) if settings.on else None
        outputs.append(OutputFound(settings, fed_from.get(output), output in role.leave_alone, sample))
    return replace(found, attached=attached, round_trip=_round_trip(link, dialect), outputs=tuple(outputs))


def _load_asked(role: LoadRole, dialect: Dialect, link: VisaLink, found: InstrumentFound) -> InstrumentFound:
    from bringup.instruments.opening import result
    from bringup.runner.scpi_load import ScpiLoad

    load = ScpiLoad(role, dialect, link, resource=found.resource)
    attached = result(load.attach())
    channels = []
    for point, channel in role.channels.items():
        settings = result(load.settings(channel))
        channels.append(ChannelFound(settings, point, result(load.poll(channel)) if settings.on else None))
    return replace(found, attached=attached, round_trip=_round_trip(link, dialect), channels=tuple(channels))


def _set_to(dialect: Dialect, link: VisaLink) -> str:
    """Ask a meter what it is set to measure; '' where its dialect cannot."""
    from bringup.core.dialect import can_ask
    from bringup.core.spelling import ask
    from bringup.instruments.opening import result
    from bringup.runner.meter_requests import found_at

    if not can_ask(dialect, "chosen_function") or not dialect.functions:
        return ""
    question = ask(dialect, "chosen_function", function=next(iter(dialect.functions)))
    return found_at(dialect, result(link.submit((question,)))[0].line)


def _round_trip(link: VisaLink, dialect: Dialect) -> float | None:
    from bringup.core.spelling import who_is_there
    from bringup.instruments.opening import result

    replies = result(link.submit((who_is_there(dialect),) * ROUND_TRIPS))
    times = sorted(reply.received - reply.sent for reply in replies if reply.fault is None)
    return times[len(times) // 2] if times else None
