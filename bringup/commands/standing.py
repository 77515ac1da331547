"""`bringup standing`: all units and where they stand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import click

from bringup.commands.asking import (
    attempts_of,
    check_sort,
    having_options,
    made_options,
    order_options,
    unit_options,
)
from bringup.commands.common import asked_logbook_option
from bringup.commands.output import output_options, print_records
from bringup.commands.saying import columns, say
from bringup.commands.tables import (
    SIMULATED,
    failure_text,
    fitting_table,
    local_time,
    result_text,
    time_column,
    with_waiver,
)
from bringup.commands.waiting_rescues import FIELD, say_what_waits
from bringup.core.patterns import counted
from bringup.core.wording import folded
from bringup.core.words import AttemptResult
from bringup.logbook.columns import OF_STANDING
from bringup.logbook.database import Database
from bringup.logbook.filters import ID_SHOWN, Filters
from bringup.logbook.lot_yields import LotYield, lot_yields
from bringup.logbook.queries import is_empty
from bringup.logbook.reading import read
from bringup.logbook.references import Mark
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.standings import Standing, standing

HEADINGS = ("attempts", "at first", "decided", "")
MOST_FAILURES = 5
OF_LOT = "lot_yield"

KEYS: dict[str, Callable[[Standing], Any]] = {
    "serial": lambda unit: counted(unit.last.serial),
    "board": lambda unit: unit.last.board,
    "revision": lambda unit: unit.last.revision,
    "lot": lambda unit: unit.last.lot,
    "result": lambda unit: result_text(unit.last),
    "since": lambda unit: unit.last.ended or unit.last.started,
    "attempts": lambda unit: unit.attempts,
    "first": lambda unit: result_text(unit.first),
}
"""Sort key -> what units are put in order by; units that are alike in it stand by their serial numbers."""


@click.command("standing")
@asked_logbook_option
@unit_options
@made_options
@click.option("--result", type=click.Choice([each.value for each in AttemptResult]), help="Only with this last result.")
@having_options
@click.option("--instrument", "used", metavar="NAME", help="Only with this one: role, model, serial number, *IDN?.")
@order_options(KEYS, "serial")
@output_options
def command(
    logbook: AnyLogbook,
    form: str,
    sort: str,
    limit: int | None,
    **asked: Any,
) -> None:
    """Show all units and where they stand: last result, what failed last, result of the first attempt; lots' yields.

    Filters are about each unit's last attempt (of those with the procedure that --procedure names). A lot's yield
    counts the first decided attempt of all its units, whatever else is filtered; its interval is of 95 %.
    """
    filters = attempts_of(None, **asked)
    check_sort(sort, KEYS)
    lacking = say_what_waits(logbook)

    def ask(connection: Database) -> tuple[list[Standing], list[LotYield], bool]:
        found = in_order(standing(connection, filters), sort)[:limit]
        lots = {(unit.last.board, unit.last.lot, unit.last.simulated) for unit in found}
        asked = Filters(board=filters.board, procedure=filters.procedure, simulated=filters.simulated)
        yields = [each for each in lot_yields(connection, asked) if (each.board, each.lot, each.simulated) in lots]
        return found, yields, is_empty(connection)

    found, yields, empty = read(logbook, ask)
    if form != "table":
        rows = [lacking.beside(_as_json(unit, yields), unit.last.serial) for unit in found]
        print_records(rows, form, (*OF_STANDING, OF_LOT, FIELD))
    elif not found:
        say(f"The logbook {logbook} holds no attempts yet." if empty else "No units match.")
    else:
        _show(found, yields)


def in_order(units: list[Standing], sort: str) -> list[Standing]:
    """Return them by the sort key, `-` in front for the other way round."""
    by_serial = sorted(units, key=lambda unit: (KEYS["serial"](unit), unit.last.simulated))
    return sorted(by_serial, key=KEYS[sort.removeprefix("-")], reverse=sort.startswith("-"))


def _as_json(unit: Standing, yields: list[LotYield]) -> dict[str, Any]:
    """A unit's standing, with the yield of its lot by procedure."""
    last = unit.last
    own = (last.board, last.lot, last.simulated)
    of_lot = [each.as_json() for each in yields if last.lot and (each.board, each.lot, each.simulated) == own]
    return unit.as_json() | {OF_LOT: of_lot}


def _show(found: list[Standing], yields: list[LotYield]) -> None:
    width = columns(unknown=None)
    for board in dict.fromkeys(sorted(unit.last.board for unit in found)):
        units = [unit for unit in found if unit.last.board == board]
        say(f"{board}: {len(units)} unit{'s' if len(units) > 1 else ''}")
        say("\n".join(_table(units, width)))
        for each in yields:
            if each.board == board and each.lot:
                say("\n".join(folded(line, width) for line in yield_lines(each)))


def _table(units: Sequence[Standing], width: int | None) -> list[str]:
    since, times = time_column("since", [unit.last.ended or unit.last.started for unit in units])
    return fitting_table(
        ("serial", "revision", "lot", "result", since, *HEADINGS),
        [_row(unit, time) for unit, time in zip(units, times, strict=True)],
        right=("attempts",),
        width=width,
        below=[_below(unit) for unit in units],
        least=("attempts", "revision", "since"),
    )


def yield_lines(of: LotYield) -> list[str]:
    """Tell a lot's yield with one procedure."""
    head = f"Lot {of.lot}, {of.procedure}{', ' + SIMULATED if of.simulated else ''}"
    ends, found = of.interval, of.found
    undecided = f"; {found.undecided} not decided" if found.undecided else ""
    if ends is None:
        return [f"{head}: no unit was decided yet{undecided}"]
    share = f"{100 * found.passed_first / found.judged:.0f} %; 95 %: {100 * ends[0]:.0f} % to {100 * ends[1]:.0f} %"
    first = f"first-attempt yield {found.passed_first} of {found.judged} ({share})"
    return [f"{head}: {first},", f"    passed by now {found.passed_last} of {found.judged}{undecided}"]


def _row(unit: Standing, since: str) -> tuple[str, ...]:
    last = unit.last
    return (
        last.serial,
        last.revision,
        last.lot,
        result_text(last),
        since,
        str(unit.attempts),
        result_text(unit.first),
        unit.decided.kind.value if unit.decided else "",
        SIMULATED if last.simulated else "",
    )


def _below(unit: Standing) -> list[str]:
    """What was decided; whether it is a reference; what failed last; its cause only where no reading says it."""
    made = unit.decided
    decided = [f"{made.said} by {made.origin.who}, {local_time(made.origin.at)}: {made.why}"] if made else []
    since = [f"reworked since, and not run again: {each.rework.change}" for each in unit.reworks]
    return decided + [reference_text(mark) for mark in unit.references] + since + _failures(unit)


def reference_text(mark: Mark) -> str:
    """Tell a mark below its unit: 'reference: marked by ada, ...', 'reference: attempt 3f2a91c0, marked by ...'."""
    about = "" if mark.about is None else f"attempt {mark.about[:ID_SHOWN]}, "
    return f"reference: {about}{mark.said}"


def _failures(unit: Standing) -> list[str]:
    if unit.last.result is AttemptResult.PASSED:
        return []
    lines = [with_waiver(failure_text(each), unit.waiver(each)) for each in unit.failed_last[:MOST_FAILURES]]
    if len(unit.failed_last) > MOST_FAILURES:
        lines.append(f"and {len(unit.failed_last) - MOST_FAILURES} more")
    return lines or [unit.last.cause] * bool(unit.last.cause)
