"""The forms in which a command gives rows to other programs: JSON, JSON lines, CSV.

Times in them are UTC and values in base units, as in the logbook; only tables for people show local time.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

import click

from bringup.commands.common import print_json
from bringup.core.harmless import harmless, harmless_json
from bringup.errors import CommandError

F = TypeVar("F", bound=Callable[..., Any])

FORMS = ("table", "json", "json-lines", "csv")
FORMULA = ("=", "+", "-", "@")
"""With these a spreadsheet takes text for a formula, which may reach out of the sheet."""


def output_options(function: F) -> F:
    """Add `--json` and `--as FORM`; both are passed as `form`, 'table' where neither is given."""
    function = click.option(
        "--as",
        "form",
        type=click.Choice(FORMS),
        callback=_form,
        help="How rows are given; json-lines has one JSON document a line, csv a heading. Default: table.",
    )(function)
    return click.option(
        "--json",
        "as_json",
        is_flag=True,
        is_eager=True,
        expose_value=False,
        callback=_json,
        help="Short for --as json.",
    )(function)


def print_records(records: Sequence[Mapping[str, Any]], form: str, columns: Sequence[str]) -> None:
    """Print rows with the same keys as JSON, JSON lines or CSV. `columns`: the heading of CSV where there is no row."""
    if form == "json":
        print_json(records)
        return
    if form == "json-lines":
        for record in records:
            click.echo(harmless_json(json.dumps(record, ensure_ascii=False, allow_nan=False)))
        return
    lines = io.StringIO()
    writer = csv.writer(lines, lineterminator="\n")
    writer.writerow(records[0] if records else columns)
    for record in records:
        writer.writerow([cell(value) for value in record.values()])
    click.echo(lines.getvalue(), nl=False)


def cell(value: object) -> object:
    """Return what stands in a cell of CSV: '' for none, lists joined, text on one line and never a formula."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        value = "; ".join(str(each) for each in value)
    if not isinstance(value, str):
        return value
    plain = harmless(value)
    return f"'{plain}" if plain.lstrip().startswith(FORMULA) and not _is_number(plain) else plain


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _json(context: click.Context, option: click.Parameter, given: bool) -> None:  # noqa: ARG001 - click's call
    context.meta[__name__] = given


def _form(context: click.Context, option: click.Parameter, given: str | None) -> str:  # noqa: ARG001 - click's call
    if context.meta.get(__name__):
        if given not in (None, "json"):
            raise CommandError(f"--json and --as {given} ask for two forms at once", "Give one of them.")
        return "json"
    return given or "table"
