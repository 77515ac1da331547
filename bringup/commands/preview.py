"""`bringup preview`: what a procedure would do, step by step, from its files alone. Nothing is opened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import click

from bringup.commands.common import bench_option, configuration_file, json_option, print_json, variant_option
from bringup.commands.loading import load
from bringup.commands.reaching import dialect_of
from bringup.commands.saying import columns, say
from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.columns import JOINED
from bringup.core.dialect import Dialect
from bringup.core.preview import look_ahead
from bringup.core.preview_data import data_of
from bringup.core.preview_text import WIDTH, text_of
from bringup.core.wording import folded
from bringup.errors import ExitCode
from bringup.files.configuration import bench_of

NARROWEST = 40
"""Columns: in fewer the page is not narrower."""


@click.command("preview")
@click.argument("procedure", metavar="PROCEDURE", type=click.Path(path_type=Path))
@bench_option
@variant_option
@click.option(
    "--at",
    "at",
    metavar="VOLTS",
    multiple=True,
    help="Only the power budget, with these volts at the input; with several inputs NAME=VOLTS, the others being off.",
)
@click.option("--state", metavar="STATE", default="", help="Only the power budget, in this board state, not the first.")
@json_option
def command(
    procedure: Path, bench: Path | None, variant: str, at: tuple[str, ...], state: str, *, as_json: bool
) -> ExitCode:
    """Show what a procedure would do: limits and where they come from, currents, protection, time.

    Nothing is opened. Without a bench, what depends on it is left open. Where the board's rails or the steps depend on
    the assembly variant it has to be given, as to `run`. Exit code 2 if it may not be run.
    """
    from bringup.commands.before_opening import check_variant
    from bringup.core.as_built import as_examined

    loaded, on = load(procedure, named_bench(bench))
    check_variant(variant, loaded)
    loaded, on = as_examined(loaded, on, variant)
    if at or state:
        _say_budget(loaded.board, at, state, as_json=as_json)
        return ExitCode.PASSED
    preview = replace(look_ahead(loaded, on, supply_dialects(on), datetime.now(UTC).date()), variant=variant)
    if as_json:
        print_json(data_of(preview))
    else:
        say(text_of(preview, max(columns() or WIDTH, NARROWEST)), nl=False)
    return ExitCode.REFUSED if preview.refused else ExitCode.PASSED


def _say_budget(board: Board, at: Sequence[str], state: str, *, as_json: bool) -> None:
    from bringup.commands.budget_asked import check_state, volts_asked
    from bringup.core.budget_at import budget_at, budget_data, budget_lines

    check_state(board, state)
    found = budget_at(board, volts_asked(board, at), state or None)
    if as_json:
        print_json(budget_data(board, found))
        return
    width = max(columns() or WIDTH, NARROWEST)
    say("\n".join(folded(line, width) for line in budget_lines(board, found)).replace(JOINED, " "))


def named_bench(bench: Path | None) -> Path | None:
    """Return the bench file that the option, the environment or the user's configuration names, None if none does."""
    configuration = configuration_file()
    return bench_of(configuration) if bench is None and configuration.exists() else bench


def supply_dialects(bench: Bench | None) -> dict[str, Dialect]:
    """Return the dialects of the bench's supplies by role; one that is by hand has none."""
    return {} if bench is None else {each.name: dialect_of(bench, each.name) for each in bench.supplies if each.dialect}
