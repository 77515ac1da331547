"""What the commands that ask a logbook share: the filter options, and times as people write them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime, time
from typing import Any, TypeVar

import click

from bringup.core.words import AttemptResult, Kind, Result
from bringup.errors import CommandError
from bringup.logbook.filters import Filters, with_such_a_reading

F = TypeVar("F", bound=Callable[..., Any])


def unit_options(function: F) -> F:
    """Add `--serial --board --revision --variant --lot --real/--simulated`; passed as `serial`, ..., `simulated`."""
    for option in (
        click.option("--real", "simulated", flag_value="real", help="Only real units and attempts."),
        click.option("--simulated", "simulated", flag_value="simulated", help="Only simulated ones."),
        click.option("--lot", metavar="LOT", help="Only of this lot."),
        click.option("--variant", metavar="NAME", help="Only of this assembly variant."),
        click.option("--revision", metavar="REV", help="Only of this board revision."),
        click.option("--board", metavar="NAME", help="Only of this board."),
        click.option(
            "--serial", metavar="SN", help="Only of this unit, or of units like 'MBL-00*' (* and ? as usual)."
        ),
    ):
        function = option(function)
    return function


def serial_asked(unit: str | None, serial: str | None) -> str | None:
    """Return the serial number asked for, alone or behind `--serial`. Raises CommandError where there are two."""
    if unit is not None and serial is not None:
        raise CommandError(f"two serial numbers: {unit} and --serial {serial}", "Give one of them.")
    return serial if unit is None else unit


def made_options(function: F) -> F:
    """Add `--procedure --operator --bench --firmware --since --until`: how, by whom and when an attempt was made."""
    for option in (
        click.option("--until", metavar="TIME", help="Only attempts that started by then (a date: its whole day)."),
        click.option("--since", metavar="TIME", help="Only attempts that started since then, such as 2026-11-25."),
        click.option(
            "--firmware",
            metavar="TEXT",
            help="Only where the board named this version (`version` in `words:`, listen).",
        ),
        click.option("--bench", metavar="NAME", help="Only at the bench of this name."),
        click.option("--operator", metavar="NAME", help="Only by this operator."),
        click.option("--procedure", metavar="NAME", help="Only with this procedure."),
    ):
        function = option(function)
    return function


def point_options(function: F) -> F:
    """Add `--quantity --step --board-state`: which of the readings at a rail; without them the usual one."""
    for option in (
        click.option("--board-state", metavar="STATE", help="Only with the board in this state."),
        click.option("--step", metavar="KIND", help="From steps of this kind; else measure."),
        click.option(
            "--quantity", type=click.Choice([kind.value for kind in Kind]), help="Of this kind; else voltage."
        ),
    ):
        function = option(function)
    return function


def attempt_options(function: F) -> F:
    """Add `--attempt --first --last` and those of `made_options`; the last two of the first go to `only`."""
    for option in (
        click.option("--last", "only", flag_value="last", help="Only the last attempt of each unit."),
        click.option("--first", "only", flag_value="first", help="Only the first attempt of each unit."),
        click.option("--attempt", metavar="ID", help="Only this attempt; the beginning of its id will do."),
    ):
        function = option(function)
    return made_options(function)


def reading_options(function: F) -> F:
    """Add `--rail --quantity --step --board-state --instrument --result --replaced`; `filters_of` takes them all."""
    for option in (
        click.option("--replaced", is_flag=True, help="Also readings that were corrected afterwards."),
        click.option("--result", type=click.Choice([result.value for result in Result]), help="Only with this result."),
        click.option(
            "--instrument",
            metavar="NAME",
            help="Only taken by this one: role, model, serial number or its whole *IDN?.",
        ),
        click.option("--board-state", metavar="STATE", help="Only with the board in this state."),
        click.option(
            "--step", metavar="KIND", help="Only from steps of this kind: measure, resistance, apply, log ..."
        ),
        click.option("--quantity", type=click.Choice([kind.value for kind in Kind]), help="Only of this kind."),
        click.option("--rail", metavar="NAME", help="Only at this rail or input; * and ? as usual."),
    ):
        function = option(function)
    return function


def having_options(function: F) -> F:
    """Add `--rail --quantity --step --board-state --reading-result`: attempts by what they read; for `attempts_of`."""
    for option in (
        click.option(
            "--reading-result",
            type=click.Choice([result.value for result in Result]),
            help="Only with a reading of this result; of these five, all that are asked for hold of one reading.",
        ),
        click.option("--board-state", metavar="STATE", help="Only with a reading in this state of the board."),
        click.option("--step", metavar="KIND", help="Only with a reading from a step of this kind."),
        click.option(
            "--quantity", type=click.Choice([kind.value for kind in Kind]), help="Only with a reading of this kind."
        ),
        click.option("--rail", metavar="NAME", help="Only with a reading at this rail or input; * and ? as usual."),
    ):
        function = option(function)
    return function


def filters_of(
    unit: str | None,
    *,
    simulated: str | None,
    since: str | None,
    until: str | None,
    quantity: str | None,
    result: str | None,
    **others: Any,
) -> Filters:
    """Return what all the options of a command about readings ask for. Raises CommandError."""
    filters = Filters(
        simulated=simulated_asked(simulated),
        since=parse_time(since),
        until=parse_time(until, end_of_day=True),
        quantity=Kind(quantity) if quantity else None,
        result=Result(result) if result else None,
        **others,
    )
    return replace(filters, serial=serial_asked(unit, filters.serial))


def attempts_of(unit: str | None, *, result: str | None, reading_result: str | None, **asked: Any) -> Filters:
    """Return what all the options of a command about attempts ask for. Raises CommandError."""
    attempt_result = AttemptResult(result) if result else None
    return with_such_a_reading(filters_of(unit, result=reading_result, attempt_result=attempt_result, **asked))


def order_options(keys: Iterable[str], default: str) -> Callable[[F], F]:
    """Add `--sort --limit` with these sort keys; passed as `sort` and `limit`."""

    def add(function: F) -> F:
        order = f"Order: {', '.join(keys)}; -KEY for the other way round."
        function = click.option(
            "--limit", metavar="N", type=click.IntRange(min=1), help="Only the first N in that order."
        )(function)
        return click.option("--sort", metavar="KEY", default=default, show_default=True, help=order)(function)

    return add


def check_sort(key: str, keys: Iterable[str]) -> None:
    """Raise CommandError for a sort key that there is not."""
    if key.removeprefix("-") not in set(keys):
        raise CommandError(f"cannot sort by '{key.removeprefix('-')}'", f"Sort by one of: {', '.join(keys)}.")


def simulated_asked(choice: str | None) -> bool | None:
    """Return what `--real` or `--simulated` asks for; None for both."""
    return None if choice is None else choice == "simulated"


def parse_time(text: str | None, *, end_of_day: bool = False) -> datetime | None:
    """Read '2026-11-25' or '2026-11-25T10:30', local time unless a zone is given. Raises CommandError."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise CommandError(
            f"'{text}' is not a time", "Write a date, 2026-11-25, or a local time, 2026-11-25T10:30."
        ) from error
    if end_of_day and len(text.strip()) <= len("2026-11-25"):
        moment = datetime.combine(moment.date(), time.max)
    return moment.astimezone()
