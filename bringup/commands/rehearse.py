"""`bringup rehearse`: a procedure against the simulated board and every single fault of it, before real hardware."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

import click

from bringup.commands.common import bench_option, json_option, print_json, variant_option
from bringup.commands.preview import named_bench
from bringup.commands.rehearse_text import as_data, text_of
from bringup.commands.saying import columns, say
from bringup.core.board import Board
from bringup.core.expectation import states_of
from bringup.core.rehearsal import Came, Trial, corners, shows, summed_up
from bringup.core.single_faults import said, single_faults
from bringup.core.words import AttemptResult
from bringup.errors import CommandError, ExitCode, Stopped


@click.command("rehearse")
@click.argument("procedure", metavar="PROCEDURE", type=click.Path(dir_okay=False, path_type=Path))
@bench_option
@variant_option
@click.option(
    "--point",
    "points",
    metavar="NAME",
    multiple=True,
    help="Only the faults at this rail or input, and the tolerances of its converter; may be given several times.",
)
@click.option(
    "--jobs",
    metavar="N",
    type=click.IntRange(min=1),
    default=None,
    help="Processes at work at the same time; as many as there are processors if not given. The result is the same.",
)
@json_option
def command(
    procedure: Path, bench: Path | None, variant: str, points: tuple[str, ...], jobs: int | None, *, as_json: bool
) -> ExitCode:
    """Carry PROCEDURE out, in simulated time, on sound units and on one with each single fault of the board.

    Shows which faults it catches at which step, which too late, which not at all and what would, and whether it blames
    a sound unit. Nothing is opened; a bench file says which dialects, outputs and ceilings are rehearsed with, and no
    program of this computer is run: each counts as having ended well. Exit codes: 0 every fault that moves something
    beyond its limits is caught and no sound unit is blamed; 1 otherwise; 2 the procedure or the bench is refused.
    """
    from bringup.commands.before_opening import check_before_opening
    from bringup.commands.rehearsing import SERIAL, scene

    found_bench = named_bench(bench)
    set_up = scene(procedure, found_bench, variant)
    board = set_up.procedure.board
    check_before_opening(set_up.procedure, set_up.bench, serial=SERIAL, variant=variant)
    sensed = [name for name in board.inputs if (by := set_up.bench.supply_of(name)) is not None and by.remote_sense]
    states = tuple(dict.fromkeys(states_of(set_up.procedure)))
    wanted = known_points(points, board)
    found = (fault for fault in single_faults(board, sensed=sensed) if fault.point in wanted)
    faults = {said(board, fault): fault for fault in found}
    trials = [*corners(board, points), *(Trial(name, fault) for name, fault in faults.items())]
    if not as_json:
        named = " ".join(filter(None, (board.name, board.revision)))
        tried = f"{len(faults)} single faults, {len(trials) - len(faults)} sound units"
        say(f"{set_up.procedure.name}, {named}: {tried}.")
    came = counted(carried_out(trials, (procedure, found_bench, variant), jobs or os.cpu_count() or 1), len(trials))
    rehearsal = summed_up(came, {name: shows(board, fault, states) for name, fault in faults.items()})
    if as_json:
        print_json(as_data(rehearsal, set_up.procedure))
    else:
        say(text_of(rehearsal, set_up.procedure, columns()), nl=False)
    return ExitCode.PASSED if rehearsal.good else ExitCode.FAILED


def counted(trials: Iterator[Came], total: int) -> tuple[Came, ...]:
    """Return what all came to, showing on a terminal how many have."""
    from bringup.commands.progress import Progress

    came: list[Came] = []
    blamed = 0
    with Progress(total, "tried") as progress:
        for one in trials:
            came.append(one)
            blamed += one.trial.fault is None and one.result is not AttemptResult.PASSED
            progress.one_more(f"sound units blamed: {blamed}" if blamed else "")
    return tuple(came)


def known_points(points: tuple[str, ...], board: Board) -> set[str]:
    """Return the points to try faults at, all without any named. Raises CommandError for one that is not there."""
    known = [point.name for point in board.points()]
    for name in points:
        if name not in known:
            from bringup.files.wording import nearest

            raise CommandError(f"the board has no point called {name!r}", f"Its points: {nearest(name, known)}")
    return set(points or known)


Source = tuple[Path, Path | None, str]
"""Procedure file, bench file and variant: from these any process makes the same scene."""


def carried_out(trials: Sequence[Trial], source: Source, jobs: int) -> Iterator[Came]:
    """Carry the trials out, several at the same time; yield what each came to, in their order."""
    if jobs == 1:
        from bringup.commands.rehearsing import attempt, scene

        made = scene(*source)
        yield from (attempt(made, trial) for trial in trials)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    pool = ProcessPoolExecutor(jobs, get_context("spawn"), initializer=_ready, initargs=source)
    try:
        yield from pool.map(_carried_out, trials)
    except KeyboardInterrupt:
        for process in list((pool._processes or {}).values()):  # noqa: SLF001 - no other way to end what is under way
            with suppress(OSError):
                process.terminate()
        raise Stopped("the rehearsal was called off", "Nothing was opened.") from None
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


_scene: list[object] = []
"""What a process of the pool rehearses."""


def _ready(procedure: Path, bench: Path | None, variant: str) -> None:
    """Make the scene in a process of the pool; Ctrl-C is for the one that a person sees."""
    from bringup.commands.rehearsing import scene

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _scene.append(scene(procedure, bench, variant))


def _carried_out(trial: Trial) -> Came:
    from bringup.commands.rehearsing import Scene, attempt

    (made,) = _scene
    assert isinstance(made, Scene), "_ready has made it"
    return attempt(made, trial)
