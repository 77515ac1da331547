"""`bringup attempts`: list attempts, filtered and sorted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from bringup.commands.asking import (
    attempt_options,
    attempts_of,
    having_options,
    order_options,
    unit_options,
)
from bringup.commands.common import asked_logbook_option
from bringup.commands.output import output_options, print_records
from bringup.commands.saying import columns, say
from bringup.commands.tables import SIMULATED, fitting_table, links, result_text, time_column
from bringup.commands.waiting_rescues import FIELD, say_what_waits
from bringup.core.words import AttemptResult
from bringup.logbook.columns import OF_ATTEMPTS
from bringup.logbook.filters import ID_SHOWN
from bringup.logbook.queries import attempts, is_empty
from bringup.logbook.reading import read
from bringup.logbook.rows import LoggedAttempt
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.sort_keys import ATTEMPT_KEYS

HEADINGS = ("procedure", "result", "readings", "operator", "")


@click.command("attempts")
@click.argument("unit", required=False, metavar="[SN]")
@asked_logbook_option
@unit_options
@attempt_options
@click.option("--result", type=click.Choice([result.value for result in AttemptResult]), help="Only with this result.")
@having_options
@click.option("--instrument", "used", metavar="NAME", help="Only with this one: role, model, serial number, *IDN?.")
@click.option(
    "--brief", is_flag=True, help="In JSON: the number of readings instead of all of them (CSV has always the number)."
)
@order_options(ATTEMPT_KEYS, "started")
@output_options
def command(
    logbook: AnyLogbook,
    unit: str | None,
    form: str,
    brief: bool,
    **asked: Any,
) -> None:
    """List attempts: who ran which procedure on which unit, and what came of it.

    In which did 3V3 fail? --rail 3V3 --reading-result fail
    """
    filters = attempts_of(unit, **asked)
    lacking = say_what_waits(logbook)
    brief = brief or form in ("table", "csv")
    found, empty = read(logbook, lambda connection: (attempts(connection, filters, brief=brief), is_empty(connection)))
    if form != "table":
        told = [(attempt, attempt.as_brief() if brief else attempt.as_json()) for attempt in found]
        print_records([lacking.beside(data, attempt.serial) for attempt, data in told], form, (*OF_ATTEMPTS, FIELD))
    elif not found:
        say(f"The logbook {logbook} holds no attempts yet." if empty else "No attempts match.")
    else:
        say("\n".join(_table(found)))


def _table(found: Sequence[LoggedAttempt]) -> list[str]:
    started, times = time_column("started", [attempt.started for attempt in found])
    return fitting_table(
        ("attempt", "serial", started, *HEADINGS),
        [_row(attempt, time) for attempt, time in zip(found, times, strict=True)],
        right=("readings",),
        width=columns(unknown=None),
        below=[_below(attempt) for attempt in found],
        least=("operator", "readings"),
    )


def _row(attempt: LoggedAttempt, started: str) -> tuple[str, ...]:
    return (
        attempt.id[:ID_SHOWN],
        attempt.serial,
        started,
        attempt.procedure,
        result_text(attempt),
        str(attempt.reading_count),
        attempt.operator,
        SIMULATED if attempt.simulated else "",
    )


def _below(attempt: LoggedAttempt) -> list[str]:
    lines = [attempt.cause] if attempt.cause else []
    lines += links(attempt)
    if attempt.off_verified is False:
        lines.append("It is not known whether the outputs went off.")
    return lines
