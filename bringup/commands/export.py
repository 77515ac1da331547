"""`bringup export FILE`: readings or attempts into a file for other programs, as many as there are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from bringup.commands.asking import attempt_options, filters_of, order_options, reading_options, unit_options
from bringup.commands.common import asked_logbook_option
from bringup.commands.saving import written
from bringup.commands.saying import say
from bringup.commands.waiting_rescues import say_what_waits
from bringup.errors import CommandError
from bringup.logbook.columns import OF_ATTEMPTS, OF_READINGS
from bringup.logbook.database import Database
from bringup.logbook.filters import Filters, with_such_a_reading
from bringup.logbook.reading import read
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.sort_keys import READING_KEYS

SUFFIXES = {".csv": "csv", ".parquet": "parquet", ".jsonl": "json-lines", ".ndjson": "json-lines", ".xml": "junit"}
"""How a file's name ends -> the form that it is written in."""
FORMS = tuple(dict.fromkeys(SUFFIXES.values()))
SUCH_AS = "readings.csv"


@click.command("export")
@click.argument("file", type=click.Path(path_type=Path))
@asked_logbook_option
@unit_options
@attempt_options
@reading_options
@order_options(READING_KEYS, "at")
@click.option("--as", "form", type=click.Choice(FORMS), help="The form, where the file's name does not say it.")
@click.option("--attempts", "of_attempts", is_flag=True, help="Attempts, one a row: those with such a reading.")
@click.option("--force", is_flag=True, help="Replace the file if it is there.")
def command(file: Path, logbook: AnyLogbook, form: str | None, of_attempts: bool, force: bool, **asked: Any) -> None:
    """Write readings to FILE: .csv, .parquet, .jsonl (JSON lines) or .xml (JUnit, one test suite an attempt).

    The same columns as `readings --json`, in base units, times in UTC; in CSV no text is taken for a formula. A file
    that is there is kept unless --force is given, and it is written as a whole or not at all. Parquet has typed
    columns, for pandas, DuckDB or Spark, and needs pyarrow: pip install 'bringup[parquet]'.
    """
    chosen = form or SUFFIXES.get(file.suffix.lower())
    if chosen is None:
        raise CommandError(
            f"'{file.name}' does not say in which form to write it",
            f"End it in {', '.join(SUFFIXES)}, or say --as {', --as '.join(FORMS)}.",
        )
    filters = filters_of(None, **asked)
    if of_attempts:
        filters = with_such_a_reading(replace(filters, sort="started") if filters.sort == "at" else filters)
    write = _writer(chosen, of_attempts=of_attempts)
    say_what_waits(logbook)
    with written(file, force=force, such_as=SUCH_AS) as fresh:
        count = read(logbook, lambda connection: write(fresh, connection, filters))
    say(f"{file}: {count:,} {'attempt' if of_attempts or chosen == 'junit' else 'reading'}{'' if count == 1 else 's'}")


def _writer(form: str, *, of_attempts: bool) -> Callable[[Path, Database, Filters], int]:
    """Return what writes such a file and says how many it wrote; only what it needs is imported."""
    if form == "junit":
        from bringup.commands.export_junit import write_junit

        return write_junit
    from bringup.commands.export_rows import attempt_rows, reading_rows, write_csv, write_json_lines

    rows, columns = (attempt_rows, OF_ATTEMPTS) if of_attempts else (reading_rows, OF_READINGS)
    if form == "parquet":
        from bringup.commands.export_parquet import write_parquet

        return lambda file, connection, filters: write_parquet(file, rows(connection, filters), columns)
    if form == "csv":
        return lambda file, connection, filters: write_csv(file, rows(connection, filters), columns)
    return lambda file, connection, filters: write_json_lines(file, rows(connection, filters))
