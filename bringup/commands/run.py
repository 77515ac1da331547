"""`bringup run`: joins files, bench, logbook, terminal and runner into one attempt on one unit.

The order matters: what the files, the command line and the terminal tell is refused before an instrument is opened;
the logbook is opened while the instruments say who they are, and is open before anything is powered.
"""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup import __version__
from bringup.commands.common import bench_option, find_bench, json_option, logbook_option
from bringup.commands.tracing import replay_option, trace_option, traced_ask, traced_lines, traced_photos
from bringup.core.frozen import frozen
from bringup.core.procedure import Procedure
from bringup.core.safety_lines import lines_of
from bringup.errors import CommandError, ExitCode

if TYPE_CHECKING:
    from bringup.commands.instruments import AnsweringBench
    from bringup.commands.surroundings import Surroundings
    from bringup.runner.protocols import Ask, Clock, Record, Tell
    from bringup.runner.setup import AttemptOutcome, AttemptSetup


@frozen
class Wanted:
    """What the command line asks for."""

    procedure: Path
    serial: str
    bench: Path
    logbook: Path
    operator: str
    lot: str = ""
    variant: str = ""
    ambient: float | None = None
    fixture: str = ""
    unattended: bool = False
    agree: bool = False
    as_json: bool = False
    going_on: bool = False
    trace: Path | None = None
    replay: Path | None = None
    only: str = ""
    """Rails to be read, with commas between, or 'failed'."""
    compact: bool = False
    acknowledged: set[str] = field(default_factory=set)
    """Cautions acknowledged in this sitting: one set for all attempts of a loop."""


@click.command()
@click.argument("procedure", metavar="PROCEDURE", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--serial", metavar="SN", default="", help="Serial number of the unit; the board file says its form.")
@click.option(
    "--next",
    "loop",
    is_flag=True,
    help="Unit after unit of --lot: the next serial number, or the line of a barcode reader, until you end it.",
)
@bench_option
@logbook_option
@click.option("--operator", metavar="NAME", default=None, help="Who is at the bench; the login name if not given.")
@click.option("--lot", metavar="NAME", default="", help="Lot that the unit was assembled in; else as before.")
@click.option("--variant", metavar="NAME", default="", help="Assembly variant, one of the board file's.")
@click.option("--ambient", metavar="TEMPERATURE", default=None, help="Ambient temperature, such as '23 degC'.")
@click.option("--fixture", metavar="TEXT", default="", help="Fixture and cables used, kept with the attempt.")
@click.option(
    "--continue",
    "going_on",
    is_flag=True,
    help="Go on with the unit's last attempt, called off or broken off: what needs no power and passed stays.",
)
@click.option(
    "--only",
    metavar="RAILS",
    default="",
    help="Read only these rails under power, such as 3V3,5V0, or `failed`: what failed in the unit's last attempt. "
    "All that keeps the board safe is done; the attempt is incomplete, never passed.",
)
@click.option("--compact", is_flag=True, help="Show readings and what needs attention, without the steps' own lines.")
@click.option("--unattended", is_flag=True, help="Nobody is at the bench: only what the procedure allows then.")
@click.option(
    "--agree-to-programs",
    is_flag=True,
    help="Agree to the programs that the procedure runs on this computer. What a person agreed to at a bench is kept "
    "in agreed-programs.json beside bringup.yaml in the configuration folder (~/.config/bringup): delete the bench's "
    "entry, or the file, to withdraw it.",
)
@trace_option
@replay_option
@json_option
def command(
    procedure: Path,
    serial: str,
    loop: bool,
    bench: Path | None,
    logbook: Path,
    operator: str | None,
    lot: str,
    variant: str,
    ambient: str | None,
    fixture: str,
    going_on: bool,
    only: str,
    compact: bool,
    unattended: bool,
    agree_to_programs: bool,
    trace: Path | None,
    replay: Path | None,
    as_json: bool,
) -> ExitCode:
    """Step through PROCEDURE on one unit: live view, every reading in the logbook, outputs off at the end.

    Exit codes: 0 passed; 1 failed or incomplete; 2 refused, nothing was powered; 3 called off or broken off.
    """
    from bringup.commands.ambient import ambient_of
    from bringup.commands.at_terminal import login_name

    if not serial and not loop:
        raise CommandError("no serial number is given", "Give the unit's with --serial SN, or a lot with --lot --next.")
    wanted = Wanted(
        procedure=procedure,
        serial=serial,
        bench=find_bench(bench),
        logbook=logbook,
        operator=operator or login_name(),
        lot=lot,
        variant=variant,
        ambient=ambient_of(ambient),
        fixture=fixture,
        unattended=unattended,
        agree=agree_to_programs,
        as_json=as_json,
        going_on=going_on,
        trace=trace,
        replay=replay,
        only=only,
        compact=compact,
    )
    if only and (going_on or replay is not None):
        option = "--continue" if going_on else "--replay"
        raise CommandError(f"--only and {option} do not go together", "Give one of them.")
    if loop:
        from bringup.commands.lot import run_lot

        return run_lot(wanted)
    return run(wanted)


def run(wanted: Wanted) -> ExitCode:
    """Carry out the attempt on one unit. Raises BringupError for whatever is refused."""
    outcome, kept_in = run_one(wanted)
    if isinstance(outcome, ExitCode):
        return outcome
    if wanted.as_json:
        from bringup.commands.logbook_words import print_outcome

        print_outcome(wanted.logbook, outcome, kept_in)
    return outcome.exit_code


def run_one(wanted: Wanted) -> tuple[AttemptOutcome | ExitCode, Path | None]:
    """Carry out the attempt, and return what became of it; of a replay only how it ended. Raises BringupError."""
    from bringup.commands.before_opening import check_before_opening, check_calibration, today
    from bringup.commands.common import show_left_messages
    from bringup.commands.loading import load
    from bringup.commands.programs import agree_to_programs
    from bringup.commands.surroundings import open_around
    from bringup.core.as_built import as_built
    from bringup.core.safety_ripple import needs_scope

    show_left_messages()
    procedure, bench = load(wanted.procedure, wanted.bench)
    assert bench is not None, "a bench file was named, so there is a bench or a FileError"
    bench = bench.for_steps(scope=needs_scope(procedure)).listening_to(lines_of(procedure))
    if wanted.only:
        from bringup.commands.only import check_only

        check_only(wanted.only, procedure)
    check_before_opening(procedure, bench, serial=wanted.serial, variant=wanted.variant, unattended=wanted.unattended)
    procedure, bench = as_built(procedure, wanted.variant), bench.of_variant(wanted.variant)
    if wanted.replay is not None:
        from bringup.commands.replaying import replayed

        return replayed(wanted, wanted.replay, procedure, bench), None
    check_calibration(bench, today())
    agree_to_programs(procedure, bench, unattended=wanted.unattended, option=wanted.agree)
    with ExitStack() as leave:
        outcome, kept_in = carry_out(wanted, procedure, open_around(wanted, bench, leave), leave)
    if outcome.exit_code is ExitCode.FAILED and not wanted.as_json:
        from bringup.commands.likely import say_what_is_likely

        say_what_is_likely(wanted.serial, procedure, outcome)
    return outcome, kept_in


def carry_out(
    wanted: Wanted, procedure: Procedure, around: Surroundings, leave: ExitStack
) -> tuple[AttemptOutcome, Path | None]:
    """Set the view up and hand over to the runner, which is imported only now that the instruments have answered.

    `leave` puts everything back in reverse order. Returns also the rescue file with what the logbook lacks, if any.
    """
    from bringup.commands.at_terminal import choose_ask, make_person, showing, suspend
    from bringup.commands.collecting import as_usual
    from bringup.commands.going_on import command_to_go_on, what_came_before
    from bringup.commands.guarding import guarded
    from bringup.commands.loading import sources
    from bringup.commands.logbook_words import found_at_opening, left_at_the_end
    from bringup.commands.only import only_of
    from bringup.commands.telling import Telling
    from bringup.host.photos import HostPhotos
    from bringup.host.programs import HostPrograms
    from bringup.logbook.lots import lot_of
    from bringup.logbook.record import LogbookRecord
    from bringup.logbook.sisters import sisters_of
    from bringup.runner.attempt import run_attempt
    from bringup.runner.protocols import Told
    from bringup.runner.unguarded import Unguarded
    from bringup.runner.wait import take_off_asked

    logbook, opened, clock = around.logbook, around.opened, around.clock
    person = make_person(clock, unattended=wanted.unattended)
    to_go_on = command_to_go_on(wanted)
    guard = guarded(opened, wanted.serial, logbook.path, clock.wake, to_go_on)
    ask = traced_ask(choose_ask(person, simulated=opened.simulated), around.trace)
    texts = sources(wanted.procedure, wanted.bench, procedure)
    simulated = opened.simulated_link is not None
    earlier, hints = what_came_before(wanted, procedure, (logbook, simulated), texts)
    procedure, only = only_of(wanted.only, procedure, (logbook, simulated), wanted.serial)
    record = LogbookRecord(logbook, simulated=simulated)
    leave.callback(record.close)
    tell = Telling(record, clock)
    leave.callback(tell.at_the_end)  # once the view is closed
    view, keys = leave.enter_context(showing(person, clock, sys.stderr if wanted.as_json else sys.stdout))
    tell.view = view
    view.scene.compact = wanted.compact
    view.scene.kept_in, view.scene.to_go_on = str(wanted.logbook), to_go_on
    if around.trace is not None:
        around.trace.tell_trouble(lambda text: view.tell(Told("event", text)))
    for told in (*found_at_opening(logbook), *hints):
        view.tell(told)
    setup = replace(
        setup_of(wanted, procedure, opened, (clock, ask), (record, tell)),
        guard=guard,
        only=only,
        lot=wanted.lot or lot_of(logbook, wanted.serial, procedure.board.name, simulated=simulated),
        sisters=sisters_of(logbook, procedure, (wanted.serial, wanted.variant), simulated=simulated),
        lines=traced_lines(opened.lines, around.trace),
        programs=HostPrograms(clock.wake, guard.program, guarded=not isinstance(guard, Unguarded)),
        photos=traced_photos(HostPhotos(clock.wake), around.trace),
        sources=texts,
        going_on=earlier,
        suspend=lambda: suspend(clock, keys),
    )
    as_usual()
    outcome = run_attempt(setup)
    opened.report_off(False if outcome.load_off is False else outcome.off_verified, lambda: take_off_asked(clock))
    for told in left_at_the_end(record):
        view.tell(told)
    return outcome, record.rescue_file


def setup_of(
    wanted: Wanted,
    procedure: Procedure,
    opened: AnsweringBench,
    ends_waits: tuple[Clock, Ask],
    kept_and_shown: tuple[Record, Tell],
) -> AttemptSetup:
    """Return what the command line, the files and the bench say of the attempt."""
    from bringup.commands.programs import digests_of_loaded, program_files
    from bringup.core.expectation import voltage_limits
    from bringup.host.awake import keeper
    from bringup.runner.setup import AttemptSetup

    (clock, ask), (record, tell) = ends_waits, kept_and_shown
    stated = ((point.name, voltage_limits(procedure.board, point.name)[0]) for point in procedure.board.points())
    return AttemptSetup(
        serial=wanted.serial,
        procedure=procedure,
        bench=opened.bench,
        supply=opened.supply(ask),
        meter=opened.meter(ask, {name: known for name, known in stated if known is not None}),
        scanner=opened.scanner(),
        load=opened.load(),
        scope=opened.scope(),
        clock=clock,
        ask=ask,
        record=record,
        tell=tell,
        operator=wanted.operator,
        tool_version=__version__,
        simulated_link=opened.simulated_link,
        unattended=wanted.unattended,
        variant=wanted.variant,
        ambient=wanted.ambient,
        fixture=wanted.fixture,
        awake=None if opened.simulated else keeper(),
        program_files=program_files(procedure),
        loaded=digests_of_loaded(procedure),
        acknowledged=wanted.acknowledged,
    )
