"""The logbooks of the benchmarks are what they say: of the size asked for, the same each time, sound to an audit."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from bringup.logbook.audit import audit
from bringup.logbook.filters import Filters, where
from bringup.logbook.queries import READINGS, attempts
from bringup.logbook.reading import read
from tests.benchmarks.large_logbook import write_large


def counted(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608


def test_a_large_logbook_has_the_size_asked_for_audits_and_is_the_same_each_time(tmp_path: Path) -> None:
    one, other = tmp_path / "one.db", tmp_path / "other.db"

    for path in (one, other):
        write_large(path, units=30, readings=1207)

    found = [read(path, audit) for path in (one, other)]
    assert [each.sound for each in found] == [True, True]
    assert found[0].anchor == found[1].anchor
    assert counted(one, "readings") == 1207
    assert counted(one, "units") == 30
    assert counted(one, "attempts") == 60


def test_a_smaller_one_holds_the_same_first_units(tmp_path: Path) -> None:
    first = (
        "SELECT r.rail, r.value, r.at FROM readings r JOIN attempts a ON a.id = r.attempt"
        " WHERE a.serial = 'MBL-00007' ORDER BY r.at"
    )
    found = []
    for units in (10, 20):
        path = tmp_path / f"{units}.db"
        write_large(path, units=units, readings=units * 40)
        with closing(sqlite3.connect(path)) as connection:
            found.append(connection.execute(first).fetchall())

    assert found[0] == found[1]
    assert len(found[0]) == 40


def test_a_logbook_that_is_there_already_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "kept.db"
    path.write_bytes(b"kept")

    with pytest.raises(ValueError, match="there already"):
        write_large(path, units=1, readings=1)

    assert path.read_bytes() == b"kept"


@pytest.fixture(scope="module")
def some_units(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("large") / "some.db"
    write_large(path, units=30, readings=1500)
    return path


def test_counting_readings_gives_what_loading_them_does(some_units: Path) -> None:
    filters = Filters(serial="MBL-0000*", limit=7, sort="-started")

    counted, loaded = (
        read(some_units, lambda connection, brief=brief: attempts(connection, filters, brief=brief))  # type: ignore[misc]
        for brief in (True, False)
    )

    assert [each.reading_count for each in counted] == [len(each.readings) for each in loaded]
    assert [each.reading_count for each in loaded] == [len(each.readings) for each in loaded]
    assert not any(each.readings for each in counted)
    assert len(loaded) == 7


def test_the_first_and_the_last_attempt_of_each_unit_are_those_recorded_first_and_last(some_units: Path) -> None:
    found = {
        only: read(some_units, lambda connection, only=only: attempts(connection, Filters(only=only), brief=True))  # type: ignore[misc]
        for only in ("first", "last")
    }

    assert {each.procedure for each in found["first"]} == {"First power-on"}
    assert {each.procedure for each in found["last"]} == {"Re-check"}
    assert [len(each) for each in found.values()] == [30, 30]


@pytest.mark.parametrize("filters", [Filters(serial="MBL-00007"), Filters(serial="MBL-00007", only="last")])
def test_what_is_asked_of_one_unit_looks_through_no_table(some_units: Path, filters: Filters) -> None:
    condition, values = where(filters)

    plan = read(
        some_units,
        lambda connection: [
            str(row[3]) for row in connection.execute("EXPLAIN QUERY PLAN " + READINGS.format(where=condition), values)
        ],
    )

    scans = [each for each in plan if each.startswith("SCAN") and "chain_of_others" not in each]
    assert not scans, plan
