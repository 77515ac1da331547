"""`bringup run`: joins files, bench, logbook, terminal and runner into one attempt on one unit.

The order matters: everything that can be refused is refused before an instrument is opened, and the logbook is
open before anything is powered.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup import __version__
from bringup.commands.common import bench_option, find_bench, json_option, logbook_option
from bringup.commands.tracing import noted_by, replay_option, trace_option, traced_ask, tracing
from bringup.core.bench import Bench
from bringup.core.frozen import frozen
from bringup.core.procedure import Procedure
from bringup.core.safety_lines import lines_of
from bringup.errors import ExitCode

if TYPE_CHECKING:
    from bringup.commands.instruments import AnsweringBench, OpenBench
    from bringup.host.clock import HostClock
    from bringup.host.traffic_file import TrafficFile
    from bringup.logbook.opening import OpenLogbook
    from bringup.runner.protocols import Ask, Clock, Record, Tell
    from bringup.runner.records import SourceText
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


@frozen
class Surroundings:
    """What is open by the time the runner takes over."""

    logbook: OpenLogbook
    opened: OpenBench
    clock: HostClock
    trace: TrafficFile | None


@click.command()
@click.argument("procedure", metavar="PROCEDURE", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--serial", metavar="SN", required=True, help="Serial number of the unit; the board file says its form.")
@bench_option
@logbook_option
@click.option("--operator", metavar="NAME", default=None, help="Who is at the bench; the login name if not given.")
@click.option("--lot", metavar="NAME", default="", help="Lot that the unit was assembled in.")
@click.option("--variant", metavar="NAME", default="", help="Assembly variant, one of the board file's.")
@click.option("--ambient", metavar="TEMPERATURE", default=None, help="Ambient temperature, such as '23 degC'.")
@click.option("--fixture", metavar="TEXT", default="", help="Fixture and cables used, kept with the attempt.")
@click.option(
    "--continue",
    "going_on",
    is_flag=True,
    help="Go on with the unit's last attempt, called off or broken off: what needs no power and passed stays.",
)
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
    bench: Path | None,
    logbook: Path,
    operator: str | None,
    lot: str,
    variant: str,
    ambient: str | None,
    fixture: str,
    going_on: bool,
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

    return run(
        Wanted(
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
        )
    )


def run(wanted: Wanted) -> ExitCode:
    """Carry out the attempt. Raises BringupError for whatever is refused."""
    from bringup.commands.before_opening import check_before_opening, check_calibration, today
    from bringup.commands.common import show_left_messages
    from bringup.commands.loading import load

    show_left_messages()
    procedure, bench = load(wanted.procedure, wanted.bench)
    assert bench is not None, "a bench file was named, so there is a bench or a FileError"
    bench = bench.for_steps().listening_to(lines_of(procedure))
    check_before_opening(procedure, bench, serial=wanted.serial, variant=wanted.variant, unattended=wanted.unattended)
    if wanted.replay is not None:
        from bringup.commands.replaying import replayed

        return replayed(wanted, wanted.replay, procedure, bench)
    check_calibration(bench, today())
    agree_to_programs(wanted, procedure, bench)
    with ExitStack() as leave:
        outcome, kept_in = attempt(wanted, procedure, bench, leave)
    if wanted.as_json:
        from bringup.commands.logbook_words import print_outcome

        print_outcome(wanted.logbook, outcome, kept_in)
    elif outcome.exit_code is ExitCode.FAILED:
        from bringup.commands.likely import say_what_is_likely

        say_what_is_likely(wanted.serial, procedure, outcome)
    return outcome.exit_code


def sources(wanted: Wanted, procedure: Procedure) -> Sequence[SourceText]:
    """Return the files as they were used, for the logbook."""
    from bringup.files.source import read_source

    texts = [read_source(wanted.procedure, "procedure"), read_source(wanted.bench, "bench")]
    if procedure.board.path and Path(procedure.board.path) != wanted.procedure:
        texts.append(read_source(Path(procedure.board.path), "board"))
    return tuple(texts)


def attempt(wanted: Wanted, procedure: Procedure, bench: Bench, leave: ExitStack) -> tuple[AttemptOutcome, Path | None]:
    """Open logbook and bench, and go on with them. `leave` puts everything back in reverse order.

    Returns also the rescue file that holds what the logbook lacks, if there is such.
    """
    from bringup.commands.common import show_left_messages
    from bringup.commands.finishing import let_guardian_finish
    from bringup.commands.instruments import open_bench
    from bringup.host.clock import HostClock
    from bringup.host.folder import lasting_folder
    from bringup.logbook.opening import open_for_writing

    let_guardian_finish(bench)
    show_left_messages()
    logbook = open_for_writing(wanted.logbook, lasting_folder())
    leave.callback(logbook.close)
    trace = leave.enter_context(tracing(wanted.trace, f"run {wanted.procedure} --serial {wanted.serial}"))
    clock = HostClock() if trace is None else HostClock(*noted_by(trace))
    leave.enter_context(clock.signals())
    note = None if trace is None else trace.note
    opened = leave.enter_context(open_bench(bench, wanted.serial, wake=clock.wake, ask_off=clock.ask_off, note=note))
    return carry_out(wanted, procedure, Surroundings(logbook, opened, clock, trace), leave)


def agree_to_programs(wanted: Wanted, procedure: Procedure, bench: Bench) -> None:
    """See to it that the programs of the procedure are agreed to, if it has any. Raises SafetyRefused."""
    from bringup.core.program import programs_of

    if not programs_of(procedure):
        return
    from bringup.commands.at_terminal import at_a_terminal
    from bringup.commands.programs import program_files, require_agreement

    person = at_a_terminal() and not wanted.unattended
    require_agreement(procedure, bench, program_files(procedure), person=person, option=wanted.agree)


def carry_out(
    wanted: Wanted, procedure: Procedure, around: Surroundings, leave: ExitStack
) -> tuple[AttemptOutcome, Path | None]:
    """Set the view up and hand over to the runner, which is imported only now that the instruments have answered."""
    from bringup.commands.at_terminal import choose_ask, make_person, showing, suspend
    from bringup.commands.collecting import as_usual
    from bringup.commands.going_on import command_to_go_on, what_came_before
    from bringup.commands.guarding import guarded
    from bringup.commands.logbook_words import found_at_opening, left_at_the_end
    from bringup.commands.telling import Telling
    from bringup.host.photos import HostPhotos
    from bringup.host.programs import HostPrograms
    from bringup.logbook.record import LogbookRecord
    from bringup.runner.attempt import run_attempt
    from bringup.runner.protocols import Told
    from bringup.runner.unguarded import Unguarded
    from bringup.runner.wait import take_off_asked

    logbook, opened, clock = around.logbook, around.opened, around.clock
    person = make_person(clock, unattended=wanted.unattended)
    to_go_on = command_to_go_on(wanted)
    guard = guarded(opened, wanted.serial, logbook.path, clock.wake, to_go_on)
    ask = traced_ask(choose_ask(person, simulated=opened.simulated), around.trace)
    texts = tuple(sources(wanted, procedure))
    earlier, hints = what_came_before(wanted, procedure, (logbook, opened.simulated_link is not None), texts)
    record = LogbookRecord(logbook, simulated=opened.simulated_link is not None)
    leave.callback(record.close)
    tell = Telling(record, clock)
    leave.callback(tell.at_the_end)  # once the view is closed
    view, keys = leave.enter_context(showing(person, clock, sys.stderr if wanted.as_json else sys.stdout))
    tell.view = view
    view.scene.kept_in, view.scene.to_go_on = str(wanted.logbook), to_go_on
    if around.trace is not None:
        around.trace.tell_trouble(lambda text: view.tell(Told("event", text)))
    for told in (*found_at_opening(logbook), *hints):
        view.tell(told)
    setup = replace(
        setup_of(wanted, procedure, opened, (clock, ask), (record, tell)),
        guard=guard,
        lines=opened.lines,
        programs=HostPrograms(clock.wake, guard.program, guarded=not isinstance(guard, Unguarded)),
        photos=HostPhotos(clock.wake),
        sources=texts,
        going_on=earlier,
        suspend=lambda: suspend(clock, keys),
    )
    as_usual()
    outcome = run_attempt(setup)
    off = False if outcome.load_off is False else outcome.off_verified
    opened.report_off(off, lambda: take_off_asked(clock))
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
        clock=clock,
        ask=ask,
        record=record,
        tell=tell,
        operator=wanted.operator,
        tool_version=__version__,
        simulated_link=opened.simulated_link,
        unattended=wanted.unattended,
        variant=wanted.variant,
        lot=wanted.lot,
        ambient=wanted.ambient,
        fixture=wanted.fixture,
        awake=None if opened.simulated else keeper(),
        program_files=program_files(procedure),
        loaded=digests_of_loaded(procedure),
    )
