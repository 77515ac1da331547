"""`bringup readings`: list readings, filtered and sorted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from bringup.commands.asking import attempt_options, filters_of, order_options, reading_options, unit_options
from bringup.commands.common import asked_logbook_option
from bringup.commands.output import output_options, print_records
from bringup.commands.saying import columns, say
from bringup.commands.tables import (
    SIMULATED,
    fitting_table,
    limits_text,
    quantity_text,
    remarks,
    time_column,
    value_text,
)
from bringup.commands.waiting_rescues import FIELD, say_what_waits
from bringup.core.wording import uncertainty_text
from bringup.logbook.columns import OF_READINGS
from bringup.logbook.queries import is_empty, readings
from bringup.logbook.reading import read
from bringup.logbook.rows import LoggedReading
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.sort_keys import READING_KEYS

HEADINGS = ("rail", "quantity", "value", "limits", "result", "remarks", "")


@click.command("readings")
@click.argument("unit", required=False, metavar="[SN]")
@asked_logbook_option
@unit_options
@attempt_options
@reading_options
@order_options(READING_KEYS, "at")
@output_options
def command(logbook: AnyLogbook, unit: str | None, form: str, **asked: Any) -> None:
    """List readings: every value with its limits, result, time and instrument."""
    filters = filters_of(unit, **asked)
    lacking = say_what_waits(logbook)
    found, empty = read(logbook, lambda connection: (readings(connection, filters), is_empty(connection)))
    if form != "table":
        rows = [lacking.beside(reading.as_json(), reading.serial) for reading in found]
        print_records(rows, form, (*OF_READINGS, FIELD))
    elif not found:
        say(f"The logbook {logbook} holds no attempts yet." if empty else "No readings match.")
    else:
        say("\n".join(_table(found)))


def _table(found: Sequence[LoggedReading]) -> list[str]:
    at, cells = time_column("at", [logged.reading.at for logged in found])
    alike = len({logged.simulated for logged in found}) == 1
    rows = [_row(logged, cell, alike=alike) for logged, cell in zip(found, cells, strict=True)]
    headings: tuple[str, ...] = ("serial", at, *HEADINGS)
    if any(logged.reading.uncertainty is not None for logged in found):
        place = headings.index("value") + 1
        headings = (*headings[:place], "± U", *headings[place:])
        rows = [(*row[:place], _uncertainty(each), *row[place:]) for row, each in zip(rows, found, strict=True)]
    return fitting_table(
        headings,
        rows,
        right=("value", "± U"),
        width=columns(unknown=None),
        under="remarks",
        least=("± U", "at", "limits"),
    )


def _uncertainty(logged: LoggedReading) -> str:
    reading = logged.reading
    return "" if reading.uncertainty is None else uncertainty_text(reading.uncertainty, reading.unit)


def _row(logged: LoggedReading, at: str, *, alike: bool) -> tuple[str, ...]:
    """`alike`: all are simulated, or none is; else that is a remark."""
    reading, simulated = logged.reading, SIMULATED if logged.simulated else ""
    said = remarks(logged)
    return (
        logged.serial,
        at,
        reading.point or "-",
        quantity_text(reading),
        value_text(reading),
        limits_text(reading),
        reading.result,
        said if alike else ", ".join(filter(None, (simulated, said))),
        simulated if alike else "",
    )
