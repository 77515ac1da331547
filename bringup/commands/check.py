"""`bringup check`: everything that is wrong with files, before anything is opened. Also their schemas and fields."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click
from click.shell_completion import CompletionItem

from bringup.commands.before_opening import check_variant
from bringup.commands.common import json_option, print_json
from bringup.commands.programs import examine_programs
from bringup.commands.saying import columns, say
from bringup.core.as_built import as_examined
from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.finding import Finding
from bringup.core.frozen import frozen
from bringup.core.pacing import paced
from bringup.core.procedure import Procedure
from bringup.core.safety import examine
from bringup.core.safety_design import examine_design
from bringup.core.unbounded import unbounded
from bringup.core.wording import folded, listed
from bringup.errors import BenchError, CommandError, ExitCode, Problem
from bringup.files.any_file import FileRead, read_any
from bringup.files.dialect_file import SHIPPED
from bringup.files.field_docs import fields_of, outline_of, part_of, parts
from bringup.files.nodes import Problems, in_order
from bringup.files.schema import schema_of
from bringup.files.source import KINDS
from bringup.files.wording import nearest


@frozen
class Checked:
    """A file with what is wrong with it, and what is only worth knowing."""

    file: FileRead
    problems: tuple[Problem, ...]
    remarks: tuple[Problem, ...] = ()

    @property
    def examined(self) -> bool:
        """Whether it was examined for what could damage a board: only a procedure that can be read is."""
        return isinstance(self.file.holds, Procedure)


@click.command("check")
@click.argument("files", nargs=-1, metavar="FILE...", type=click.Path(path_type=Path))
@click.option("--bench", metavar="FILE", type=click.Path(path_type=Path), help="Examine procedures on this bench too.")
@click.option("--schema", type=click.Choice(KINDS), help="Print the JSON Schema of a kind of file, for editors.")
@click.option(
    "--fields",
    metavar="PART",
    is_flag=False,
    flag_value="",
    shell_complete=lambda *given: [CompletionItem(each) for each in parts() if each.startswith(given[2])],
    help="Print what a kind of file, or a part of one such as apply, rail or supply, may hold, as Markdown. "
    "Without PART: which parts there are.",
)
@click.option("--whole", is_flag=True, help="With --fields: a kind of file with all its parts.")
@click.option(
    "--variant",
    metavar="NAME",
    default="",
    help="Examine procedures for this assembly variant only, not for each.",
)
@json_option
def command(
    files: tuple[Path, ...],
    bench: Path | None,
    variant: str,
    schema: str | None,
    fields: str | None,
    *,
    whole: bool,
    as_json: bool,
) -> ExitCode:
    """Validate procedures, benches, boards and dialects. Nothing is opened.

    Every fault of every file is reported at once, each with file:line:column. Procedures are examined for
    what could damage the board, too, on the bench that is among the files, and for every assembly variant that
    changes them, or the one that is named. Exit code 2 if anything is wrong.
    """
    if (schema is not None) + (fields is not None) + bool(files or bench is not None) > 1:
        raise CommandError(
            "--schema and --fields each print and check no file",
            "Give one of them alone, or the files to check without either.",
        )
    if schema is not None:
        say(json.dumps(schema_of(schema), indent=2, ensure_ascii=False))
        return ExitCode.PASSED
    if fields is not None:
        say(_documented(fields, whole=whole), nl=False)
        return ExitCode.PASSED
    if not files and bench is None:
        raise CommandError("no file to check", "Name one or more: bringup check procedures/first-power-on.yaml")
    checked = check_files(files, bench, variant)
    if as_json:
        print_json(_as_data(checked))
    else:
        _print(checked)
    return ExitCode.REFUSED if any(one.problems for one in checked) else ExitCode.PASSED


def _documented(name: str, *, whole: bool) -> str:
    """Return the documentation of a kind of file or of a part; '' gives the names of all.

    Raises CommandError where there is no such thing.
    """
    if not name:
        return _named_parts()
    if whole and name in KINDS:
        return fields_of(name)
    if name in KINDS:
        return outline_of(name) + (f"\nThose that ship are in {SHIPPED}, to be copied.\n" if name == "dialect" else "")
    documented = part_of(name)
    if documented is None:
        raise CommandError(f"no kind of file and no part of one is called {name!r}", nearest(name, parts()))
    return documented


def _named_parts() -> str:
    """Say which kinds of file, and which parts of them, can be documented."""
    named = [name for name in parts() if name not in KINDS]
    return (
        folded(f"kinds of file: {', '.join(KINDS)}", columns())
        + "\n"
        + folded(f"parts of them: {', '.join(named)}", columns())
        + "\n"
    )


def check_files(files: tuple[Path, ...], bench: Path | None, variant: str = "") -> list[Checked]:
    """Read every file (each once), and examine every sound procedure on the bench, if one is given.

    `variant`: for units of this one; '' for those of each. Raises CommandError for one that a board does not have.
    """
    bench_read = None if bench is None else read_any(bench)
    found = []
    if bench_read is not None:
        checked = _checked(bench_read, None)
        if bench_read.holds is not None and not isinstance(bench_read.holds, Bench):
            wrong = Problem(str(bench), 0, 0, f"a {bench_read.kind} file, where --bench wants a bench file")
            checked = Checked(bench_read, (wrong,))
        found.append(checked)
    read = [read_any(path) for path in dict.fromkeys(files) if path != bench]
    # One bench among the files is meant as the bench of the procedures beside it.
    benches = [file.holds for file in (bench_read, *read) if file is not None and isinstance(file.holds, Bench)]
    on = benches[0] if len(benches) == 1 or (bench_read is not None and benches) else None
    return found + [_checked(file, on, variant) for file in read]


def _checked(file: FileRead, bench: Bench | None, variant: str = "") -> Checked:
    if isinstance(file.holds, Bench):
        return Checked(file, (*file.problems, *_not_simulated(file, file.holds)))
    if isinstance(file.holds, Board):
        said = (Problem(str(file.path), 0, 0, one.message, "", one.what_to_do) for one in examine_design(file.holds))
        return Checked(file, file.problems, tuple(said))
    if not isinstance(file.holds, Procedure):
        return Checked(file, file.problems)
    refused, remarks = Problems(str(file.path), file.text), Problems(str(file.path), file.text)
    if variant:
        check_variant(variant, file.holds)
    for finding in (*_examined(file.holds, bench, variant), *examine_programs(file.holds)):
        step = None if finding.step is None else file.holds.steps[finding.step]
        where = refused if finding.refused else remarks
        if step is None:  # of the whole procedure: no line of it is to blame
            where.found.append(Problem(str(file.path), 0, 0, finding.message, "", finding.what_to_do))
        else:
            where.add((step.line, step.column), finding.message, finding.what_to_do)
    if nobody_said := unbounded(file.holds.board):
        way_out = "State it where too high a voltage would do harm: power is then cut at once."
        remarks.found.append(Problem(str(file.path), 0, 0, nobody_said, "", way_out))
    return Checked(file, tuple(in_order(refused.found)), tuple(in_order(remarks.found)))


def _examined(procedure: Procedure, bench: Bench | None, variant: str) -> Iterator[Finding]:
    """Examine a procedure for units of a variant; '' for those of each, if any changes something."""
    depends = any(rail.variants for rail in procedure.board.rails.values())
    depends = depends or any(step.only_if is not None and step.only_if.variant for step in procedure.steps)
    variants = [variant] if variant or not depends else list(procedure.board.variants)
    found: dict[Finding, list[str]] = {}
    for each in variants:
        built, on = as_examined(procedure, bench, each)
        for finding in examine(built if on is None else paced(built, on), on):
            found.setdefault(finding, []).append(each)
    for finding, whose in found.items():
        of = f" (variant {listed(whose)})" if len(whose) < len(variants) else ""
        yield replace(finding, message=finding.message + of)


def _not_simulated(file: FileRead, bench: Bench) -> Iterator[Problem]:
    """What a simulated bench asks of its instruments that they cannot do."""
    from bringup.files.board_file import load_board
    from bringup.simulation.bench import SUPPLIES, build

    if bench.simulate is None:
        return
    try:
        build(bench, load_board(bench.simulate.board_path), "")
    except BenchError as error:
        odd = [each for each in bench.supplies if each.dialect not in SUPPLIES] or bench.supplies
        at = next(((each.line, each.column) for each in odd if each.line), (1, 1))
        problems = Problems(str(file.path), file.text)
        problems.add(at, error.message, error.what_to_do)
        yield from problems.found


def _print(checked: list[Checked]) -> None:
    told: set[Problem] = set()
    width = columns(unknown=None)  # in a pipe a problem keeps to one line
    for one in checked:
        for problem in one.problems:
            # A board that two procedures name is told once.
            if problem not in told:
                _say_problem(str(problem), width)
            told.add(problem)
        for remark in one.remarks:
            _say_problem(f"worth knowing: {remark}", width)
        if one.file.kind == "procedure" and not one.examined:
            say(folded(f"{one.file.path}: not examined for safety yet: correct these first", width))
        if not one.problems:
            say(folded(f"{one.file.path}: {_summary(one.file)}", width))
    wrong = len(told)
    if wrong:
        say(f"{wrong} {'problem' if wrong == 1 else 'problems'} found")


def _say_problem(text: str, width: int | None) -> None:
    """Print what is wrong, folded; the line of the file and the mark under it stay as they are."""
    head, *source = text.split("\n")
    say("\n".join((folded(head, width), *source)))


def _summary(file: FileRead) -> str:
    name = getattr(file.holds, "name", "")
    count = len(file.holds.steps) if isinstance(file.holds, Procedure) else 0
    steps = f", {count} {'step' if count == 1 else 'steps'}" if count else ""
    return f"{file.kind} '{name}'{steps}: nothing wrong"


def _problem(problem: Problem) -> dict[str, object]:
    """Return a problem for JSON; line and column null where the file as a whole is meant."""
    return problem._asdict() | {"line": problem.line or None, "column": problem.column or None}


def _as_data(checked: list[Checked]) -> dict[str, object]:
    return {
        "ok": not any(one.problems for one in checked),
        "files": [
            {
                "path": str(one.file.path),
                "kind": one.file.kind or None,
                "name": getattr(one.file.holds, "name", None),
                "examined": one.examined,
                "problems": [_problem(problem) for problem in one.problems],
                "remarks": [_problem(remark) for remark in one.remarks],
            }
            for one in checked
        ],
    }
