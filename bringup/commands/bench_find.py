"""`bringup bench --find`: what may be an instrument near this computer; asked who it is only where a person agrees.

Looking opens nothing and asks no instrument anything. Without a terminal, or with --json, it stays at looking.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import click

from bringup.commands.at_terminal import at_a_terminal
from bringup.commands.common import find_bench, print_json
from bringup.commands.find_asking import Dialects, ask_each
from bringup.commands.find_text import (
    NOTHING,
    Found,
    denied_data,
    found_data,
    found_lines,
    place_data,
    place_lines,
    tell,
)
from bringup.commands.first_bench import write_bench
from bringup.commands.saving import check_target
from bringup.commands.saying import say
from bringup.commands.tracing import tracing
from bringup.core.harmless import harmless
from bringup.errors import CommandError, ExitCode
from bringup.files.bench_named import Named, named_by, named_in
from bringup.instruments.finding.access import Denied, denied, shut_board
from bringup.instruments.finding.looking import Around, Surroundings, look_around
from bringup.instruments.finding.sighting import Sighting, place_of
from bringup.terminal.typed_ahead import forget_typed_ahead

SURROUNDINGS = Surroundings()
"""This computer and its network; tests look elsewhere."""


def find(
    bench: Path | None,
    *,
    write: Path | None = None,
    force: bool = False,
    trace: Path | None = None,
    as_json: bool = False,
) -> ExitCode:
    """Look, show, ask where agreed, and write a bench file if one is named. Raises CommandError."""
    person = at_a_terminal() and not as_json
    if write is not None:
        if not person:
            raise CommandError(
                "--write asks which instrument is which and what the ceilings are, and there is nobody to ask",
                "Call it at a terminal, without --json.",
            )
        check_target(write, force=force, such_as="`--write corner-bench.yaml`")
    named = _named(bench)
    if person:
        tell([f"Looking, for {SURROUNDINGS.most_seconds:g} s at most. Nothing is opened, no instrument asked.", ""])
    around = look_around(SURROUNDINGS)
    dialects = Dialects(write or Path("bench.yaml"))
    found = [replace(each, suggested=dialects.suggested(each.known)) for each in _numbered(around.seen, named)]
    if as_json:
        print_json(
            {
                "found": [found_data(each) for each in found],
                "places": [place_data(each) for each in around.places],
                "gpib_no_permission": denied_data(shut_board(SURROUNDINGS.dev_root)),
            }
        )
        return ExitCode.PASSED
    _show(found, around)
    if not person:
        if found:
            say("\nNone of them was asked who it is: that takes a person at a terminal who agrees to it.")
        return ExitCode.PASSED
    with tracing(trace, "bench --find") as kept:
        found = ask_each(found, typed, dialects, None if kept is None else kept.note)
    return ExitCode.PASSED if write is None else write_bench(write, found, typed, dialects, force=force)


def typed(question: str) -> str:
    """Ask the person at the terminal; lines typed before the question count for nothing. Ctrl-C, -D: click.Abort."""
    forget_typed_ahead(sys.stdin)
    answer: str = click.prompt(harmless(question, keep="\n"), default="", show_default=False)
    return answer.strip()


def _show(found: list[Found], around: Around) -> None:
    for each in found:
        tell((*found_lines(each), ""))
    if not found:
        tell((*NOTHING, ""))
    tell(place_lines(around.places))
    if (board := shut_board(SURROUNDINGS.dev_root)) is not None:
        tell(f"  {each}" if at == 0 else f"      {each}" for at, each in enumerate(board.lines()))


def _numbered(seen: Iterable[Sighting], named: list[Named]) -> list[Found]:
    return [
        Found(
            number,
            one,
            tuple(each for each in named if _is(each.resource, one)),
            next((shut for each in one.resources[:1] if (shut := _denied(each)) is not None), None),
        )
        for number, one in enumerate(seen, start=1)
    ]


def _denied(resource: str) -> Denied | None:
    return denied(resource, SURROUNDINGS.sys_root, SURROUNDINGS.dev_root)


def _is(resource: str, seen: Sighting) -> bool:
    """Whether a resource string of a bench file means that thing; a host may stand there by its name."""
    return place_of(resource) in (seen.place, f"lan {seen.name.lower()}" if seen.kind == "lan" else seen.place)


def _named(bench: Path | None) -> list[Named]:
    """Return what the bench file in use and those of the current folder name. Raises FileError for the one given."""
    found = named_in(Path())
    try:
        in_use = find_bench(bench)
    except CommandError:
        return found
    if bench is None and not in_use.exists():
        return found
    known = {each.path.resolve() for each in found}
    return found if in_use.resolve() in known else [*found, *named_by(in_use)]
