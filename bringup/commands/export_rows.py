"""Rows for other programs, one after the other, however many they are; and two plain forms of them."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from bringup.commands.output import cell
from bringup.core.harmless import harmless_json
from bringup.logbook.database import Database
from bringup.logbook.filters import Filters
from bringup.logbook.queries import each_attempt, each_reading

Row = dict[str, Any]


def reading_rows(connection: Database, filters: Filters) -> Iterator[Row]:
    """Yield readings as `readings --json` tells them. Raises CommandError."""
    return (each.as_json() for each in each_reading(connection, filters))


def attempt_rows(connection: Database, filters: Filters) -> Iterator[Row]:
    """Yield attempts with the number of their readings. Raises CommandError."""
    return (each.as_brief() for each in each_attempt(connection, filters, brief=True))


def write_csv(file: Path, rows: Iterable[Row], columns: Sequence[str]) -> int:
    """Write rows with a heading, `columns` where there is no row; return how many.

    Text that a spreadsheet would reckon with gets an apostrophe.
    """
    count = 0
    with file.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        for row in rows:
            if not count:
                writer.writerow(row)
            writer.writerow([cell(value) for value in row.values()])
            count += 1
        if not count:
            writer.writerow(columns)
    return count


def write_json_lines(file: Path, rows: Iterable[Row]) -> int:
    """Write one JSON document a line; return how many."""
    count = 0
    with file.open("w", encoding="utf-8", newline="") as out:
        for row in rows:
            out.write(harmless_json(json.dumps(row, ensure_ascii=False, allow_nan=False)) + "\n")
            count += 1
    return count
