"""The procedure and the bench that a command names, read together, so that the faults of both are told at once."""

from __future__ import annotations

from pathlib import Path

from bringup.core.bench import Bench
from bringup.core.pacing import paced
from bringup.core.procedure import Procedure
from bringup.errors import FileError, Problem
from bringup.files.bench_file import load_bench
from bringup.files.procedure_file import load_procedure
from bringup.files.source import lists_used, read_source
from bringup.runner.records import SourceText


def load(procedure_path: Path, bench_path: Path | None) -> tuple[Procedure, Bench | None]:
    """Read both files; no bench where no path is given. What the procedure leaves to the bench is filled in.

    Raises FileError with the faults of both.
    """
    problems: list[Problem] = []
    procedure, bench = None, None
    try:
        procedure = load_procedure(procedure_path)
    except FileError as error:
        problems += error.problems
    try:
        bench = None if bench_path is None else load_bench(bench_path)
    except FileError as error:
        problems += error.problems
    if procedure is None or problems:
        raise FileError(problems)
    return (procedure if bench is None else paced(procedure, bench)), bench


def sources(procedure_path: Path, bench_path: Path, procedure: Procedure) -> tuple[SourceText, ...]:
    """Return the files as they were used, for the logbook. Raises FileError."""
    texts = [read_source(procedure_path, "procedure"), read_source(bench_path, "bench")]
    if procedure.board.path and Path(procedure.board.path) != procedure_path:
        texts.append(read_source(Path(procedure.board.path), "board"))
    return (*texts, *lists_used(procedure))
