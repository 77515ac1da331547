"""The `parts_not_placed` of an `inspect`: the file it names is read when the procedure is, with its own problems."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bringup.core.not_placed import NotPlaced
from bringup.core.procedure import Inspect, Procedure
from bringup.errors import FileError, Problem
from bringup.files.nodes import Problems
from bringup.files.sections import Values
from bringup.files.source import Opened

FIELD = "parts_not_placed"
ASK = "ask"
"""In the place of a file: the person types the parts."""


def read_lists(values: Values, opened: Opened) -> tuple[dict[int, NotPlaced], list[Problem]]:
    """Return what each `inspect` says of parts not placed, by the step's index, and what is wrong in those files.

    A file that cannot be had is reported where the procedure names it.
    """
    lists: dict[int, NotPlaced] = {}
    problems: list[Problem] = []
    for index, step in enumerate(values.many("steps")):
        entry = step.value.entries.get("inspect")
        body = None if entry is None else entry.value
        if not isinstance(body, Values) or FIELD not in body:
            continue
        named: str = body.get(FIELD)
        if named == ASK:
            lists[index] = NotPlaced()
            continue
        from bringup.files.parts_csv import read_parts  # a procedure without such a file loads nothing for it

        file = opened.path.parent / named
        try:
            lists[index] = NotPlaced(named, read_parts(file), str(file))
        except FileError as error:
            problems += [problem for problem in error.problems if problem.line]
            for problem in error.problems:
                if not problem.line:
                    message = f"the file {problem.path}: {problem.message}"
                    opened.problems.add(body.at(FIELD), message, problem.suggestion)
    return lists, problems


def with_lists(procedure: Procedure, lists: Mapping[int, NotPlaced]) -> Procedure:
    """Return the procedure with these lists in its inspections."""
    if not lists:
        return procedure
    steps = tuple(
        replace(step, action=replace(step.action, not_placed=lists[step.index]))
        if isinstance(step.action, Inspect) and step.index in lists
        else step
        for step in procedure.steps
    )
    return replace(procedure, steps=steps)


def check_inspect(body: Values, problems: Problems) -> None:
    """Report an `inspect` in which there is nothing to look at."""
    if not {"confirm", FIELD} & {*body.entries, *body.wrong}:
        problems.add(body.node, f"an `inspect` needs `confirm` or `{FIELD}`", "such as confirm: [No bridges]")
