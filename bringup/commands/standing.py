"""`bringup standing`: all units and where they stand."""

from __future__ import annotations

from typing import Any

import click

from bringup.commands.asking import simulated_asked, unit_options
from bringup.commands.common import asked_logbook_option, json_option, print_json
from bringup.commands.saying import columns, say
from bringup.commands.tables import (
    SIMULATED,
    failure_text,
    format_table,
    local_time,
    result_text,
    under_rows,
    with_waiver,
)
from bringup.commands.waiting_rescues import say_what_waits
from bringup.core.words import AttemptResult
from bringup.logbook.filters import Filters
from bringup.logbook.queries import Standing, is_empty, standing
from bringup.logbook.reading import read
from bringup.logbook.server_address import AnyLogbook

HEADINGS = ("serial", "revision", "lot", "result", "since", "attempts", "at first", "decided", "")
MOST_FAILURES = 5


@click.command("standing")
@asked_logbook_option
@unit_options
@json_option
def command(logbook: AnyLogbook, as_json: bool, simulated: str | None, **others: Any) -> None:
    """Show all units and where they stand: last result, what failed last, result of the first attempt."""
    filters = Filters(simulated=simulated_asked(simulated), **others)
    lacking = say_what_waits(logbook)
    found, empty = read(logbook, lambda connection: (standing(connection, filters), is_empty(connection)))
    if as_json:
        print_json([lacking.beside(unit.as_json(), unit.last.serial) for unit in found])
    elif not found:
        say(f"The logbook {logbook} holds no attempts yet." if empty else "No units match.")
    else:
        width = columns(unknown=None)
        boards = sorted({unit.last.board for unit in found})
        for board in boards:
            units = [unit for unit in found if unit.last.board == board]
            say(f"{board}: {len(units)} unit{'s' if len(units) > 1 else ''}")
            lines = format_table(HEADINGS, [_row(unit) for unit in units], right=("attempts",), width=width)
            say("\n".join(under_rows(lines, [_below(unit) for unit in units], width)))


def _row(unit: Standing) -> tuple[str, ...]:
    last = unit.last
    return (
        last.serial,
        last.revision,
        last.lot,
        result_text(last),
        local_time(last.ended or last.started),
        str(unit.attempts),
        result_text(unit.first),
        unit.decided.kind.value if unit.decided else "",
        SIMULATED if last.simulated else "",
    )


def _below(unit: Standing) -> list[str]:
    """What was decided; what failed, where the last attempt did not pass; its cause only where no reading says it."""
    made = unit.decided
    decided = [f"{made.said} by {made.origin.who}, {local_time(made.origin.at)}: {made.why}"] if made else []
    since = [f"reworked since, and not run again: {each.rework.change}" for each in unit.reworks]
    return decided + since + _failures(unit)


def _failures(unit: Standing) -> list[str]:
    if unit.last.result is AttemptResult.PASSED:
        return []
    lines = [with_waiver(failure_text(each), unit.waiver(each)) for each in unit.failed_last[:MOST_FAILURES]]
    if len(unit.failed_last) > MOST_FAILURES:
        lines.append(f"and {len(unit.failed_last) - MOST_FAILURES} more")
    return lines or [unit.last.cause] * bool(unit.last.cause)
