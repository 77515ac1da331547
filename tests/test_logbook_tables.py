"""Opening a logbook: what is created, what is refused, and in which words."""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.main import main
from bringup.errors import ExitCode, LogbookError
from bringup.logbook import folders, migrations
from bringup.logbook.folders import _network_volume, network_kind, network_mount
from bringup.logbook.opening import open_for_writing
from bringup.logbook.reading import read
from bringup.logbook.tables import MIGRATIONS, Migration
from bringup.logbook.version import APPLICATION_ID, VERSION

MOUNTS = r"""22 27 0:21 / /proc rw,relatime - proc proc rw
27 1 254:0 / / rw,relatime - ext4 /dev/vda rw
40 27 0:50 / /mnt/lab\040share rw,relatime shared:7 - nfs4 192.0.2.7:/lab rw
41 27 0:51 / /home/ada/remote rw - fuse.sshfs ada@192.0.2.8:/ rw
42 41 254:1 / /home/ada/remote/local rw - ext4 /dev/vdb rw
43 27 0:52 / /srv rw - 9p host rw
44 27 254:2 / /srv rw - ext4 /dev/vdc rw
"""


def columns(path: Path) -> dict[str, list[str]]:
    with closing(sqlite3.connect(path)) as connection:
        tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {table: [row[1] for row in connection.execute(f"PRAGMA table_info({table})")] for table in tables}


def pragma(path: Path, name: str) -> object:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(f"PRAGMA {name}").fetchone()[0]


@contextmanager
def not_root() -> Iterator[Path]:
    """Give a folder of our own and, where we are root (whom no permission stops), act as somebody else in it."""
    folder = Path(tempfile.mkdtemp())
    is_root = os.geteuid() == 0
    try:
        if is_root:
            os.chown(folder, 65534, 65534)
            os.seteuid(65534)
        yield folder
    finally:
        if is_root:
            os.seteuid(0)
        folder.chmod(0o700)
        shutil.rmtree(folder)


def test_what_is_written_is_of_the_last_version_there_is() -> None:
    assert MIGRATIONS[-1].number == VERSION


def test_a_new_logbook_has_the_tables_in_the_words_of_the_job(tmp_path: Path) -> None:
    open_for_writing(tmp_path / "bringup.db").connection.close()
    tables = columns(tmp_path / "bringup.db")
    assert set(tables) == {
        *("units", "attempts", "steps", "readings", "samples", "polls", "instruments"),
        *("sources", "attempt_sources", "notes", "events", "origins", "chain", "line_texts"),
        *("reworks", "observations", "observation_readings", "photos", "pictures", "picture_parts", "dispositions"),
        *("reference_marks", "kept_out", "withdrawals"),
    }
    assert pragma(tmp_path / "bringup.db", "application_id") == APPLICATION_ID
    assert pragma(tmp_path / "bringup.db", "user_version") == VERSION


def test_every_table_is_strict(tmp_path: Path) -> None:
    with closing(open_for_writing(tmp_path / "bringup.db").connection) as connection:
        rows = connection.execute("PRAGMA table_list").fetchall()
    strict = {row[1] for row in rows if row[0] == "main" and row[5]}
    assert strict == set(columns(tmp_path / "bringup.db"))


def test_writing_is_durable_and_checked(tmp_path: Path) -> None:
    with closing(open_for_writing(tmp_path / "bringup.db").connection) as connection:
        settings = {
            name: connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    assert settings == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 500}


@pytest.mark.parametrize(
    ("column", "value"),
    [("value", float("inf")), ("value", float("-inf")), ("value", float("nan")), ("low", float("inf"))],
)
def test_the_tables_themselves_refuse_what_is_not_finite(tmp_path: Path, column: str, value: float) -> None:
    with closing(open_for_writing(tmp_path / "bringup.db").connection) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        row: dict[str, object] = {
            "id": "x",
            "attempt": "x",
            "step": 1,
            "quantity": "voltage",
            "value": 3.3,
            "unit": "V",
        }
        row |= {"at": "2026-11-25T09:04:05.123456Z", "monotonic": 1.0, "result": "pass", "how": "read", "unsettled": 0}
        row |= dict.fromkeys(("aspect", "limits_from", "decision_rule", "instrument", "raw", "note"), "")
        statement = "INSERT INTO readings ({}) VALUES ({})"
        row[column] = value
        with pytest.raises(sqlite3.IntegrityError, match="CHECK constraint failed"):
            connection.execute(statement.format(", ".join(row), ", ".join("?" * len(row))), tuple(row.values()))
        row[column] = 3.0
        connection.execute(statement.format(", ".join(row), ", ".join("?" * len(row))), tuple(row.values()))


@pytest.mark.parametrize("at", ["2026-11-25 09:04:05.123456Z", "2026-11-25T09:04:05Z", "2026-11-25T09:04:05.123456"])
def test_a_time_of_another_width_is_refused_by_the_tables(tmp_path: Path, at: str) -> None:
    with closing(open_for_writing(tmp_path / "bringup.db").connection) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        statement = "INSERT INTO events (attempt, kind, content, at, monotonic) VALUES ('x', 'x', 'x', ?, 1.0)"
        with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
            connection.execute(statement, (at,))
        connection.execute(statement, ("2026-11-25T09:04:05.123456Z",))


def test_a_newer_version_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    open_for_writing(path).connection.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    for attempt in (lambda: open_for_writing(path), lambda: read(path, lambda _: None)):
        with pytest.raises(
            LogbookError, match=f"of version {VERSION + 1}; this bringup knows versions up to"
        ) as caught:
            attempt()
        assert "newer bringup" in caught.value.what_to_do
        assert caught.value.exit_code == ExitCode.REFUSED
    assert pragma(path, "user_version") == VERSION + 1


@pytest.fixture(params=[1, 2, 3, VERSION - 1])
def older(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    """A logbook with one unit in it, as an earlier version left it."""
    path = tmp_path / "bringup.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        migrations.bring_up_to_date(connection, path, MIGRATIONS[: request.param])
        connection.execute("INSERT INTO units VALUES ('MBL-0001', 1, 'Mooring buoy logger', 'B', '', '')")
        connection.execute(
            "INSERT INTO attempts (id, serial, simulated, procedure, board, revision, variant, lot, bench, operator,"
            " attended, started, ended, result, cause, off_verified, tool_version, fixture, host, boot, process,"
            " process_started) SELECT 'ffff0000-old', serial, 1, 'First power-on', board, revision, '', '', '', '', 1,"
            " '2026-01-05T08:00:00.000000Z', '2026-01-05T08:00:09.000000Z', 'failed', '3V3 low', 1, '0',"
            " '', '', '', 1, '' FROM units"
        )
    return path


def test_an_older_version_answers_every_question_and_is_left_as_it_is(
    older: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = older.read_bytes()
    asked: tuple[tuple[str, ...], ...] = (
        ("standing",),
        ("history", "MBL-0001"),
        ("attempts",),
        ("readings",),
        ("report", "MBL-0001", "--out", str(older.with_name("page.html"))),
        ("export", "--attempts", str(older.with_name("attempts.csv"))),
    )
    for command in asked:
        assert main([*command, "--logbook", str(older)]) == ExitCode.PASSED, capsys.readouterr().err
    assert capsys.readouterr().out.count("3V3 low") == 3
    assert older.read_bytes() == before
    assert {each.name for each in older.parent.iterdir()} == {"bringup.db", "page.html", "attempts.csv"}


def test_an_older_version_is_read_while_its_own_tool_writes_to_it(older: Path) -> None:
    with closing(sqlite3.connect(older, isolation_level=None)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("INSERT INTO units VALUES ('MBL-0002', 1, 'Mooring buoy logger', 'B', '', '')")
        units = "SELECT serial FROM units ORDER BY serial"
        assert read(older, lambda it: [row["serial"] for row in it.execute(units)]) == ["MBL-0001"]
        connection.execute("COMMIT")
        assert read(older, lambda it: [row["serial"] for row in it.execute(units)]) == ["MBL-0001", "MBL-0002"]


def test_where_there_is_no_room_for_the_copy_of_an_older_version_it_is_said_which_disk_is_full(
    older: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect = sqlite3.connect

    def small(database: str, **others: Any) -> sqlite3.Connection:
        connection: sqlite3.Connection = connect(database, **others)
        if not database:
            connection.execute("PRAGMA max_page_count = 8")
        return connection

    monkeypatch.setattr(sqlite3, "connect", small)

    with pytest.raises(LogbookError, match="the disk for temporary files has no room") as refused:
        read(older, lambda it: it.execute("SELECT 1 FROM units").fetchone())

    assert "TMPDIR" in refused.value.what_to_do


def test_what_was_asked_of_an_older_version_cannot_write_either(older: Path) -> None:
    with pytest.raises(LogbookError, match="attempt to write"):
        read(older, lambda it: it.execute("DELETE FROM units"))


def test_what_writes_to_an_older_version_brings_it_up_to_date_and_says_where_it_is_as_it_was(
    older: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = pragma(older, "user_version")
    copy = older.with_name(f"bringup.db.version-{before}")

    assert main(["note", "MBL-0001", "touched up J3", "--logbook", str(older)]) == ExitCode.PASSED

    told, said = capsys.readouterr()
    assert f"is brought up to date; as it was it is kept in {copy}" in told + said
    assert (pragma(copy, "user_version"), pragma(older, "user_version")) == (before, VERSION)
    assert main(["history", "MBL-0001", "--logbook", str(older)]) == ExitCode.PASSED
    assert {"3V3 low", "touched up J3"} <= set(re.findall("3V3 low|touched up J3", capsys.readouterr().out))


def test_hashes_that_an_older_version_never_had_are_not_made_up(
    older: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    had = pragma(older, "user_version") not in (1, 2)

    code = main(["audit", "--logbook", str(older)])

    if had:
        assert code == ExitCode.FAILED, "rows were put there without hashes"
    else:
        assert code == ExitCode.REFUSED
        assert "has no hashes" in (said := capsys.readouterr().err)
        assert "`bringup note`, begins them, keeping a copy" in said
    assert main(["attempts", "--json", "--logbook", str(older)]) == ExitCode.PASSED
    assert '"anchor": ""' in capsys.readouterr().out


def test_a_foreign_sqlite_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "stock.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE reels (name TEXT)")
    before = path.read_bytes()
    with pytest.raises(LogbookError, match=r"stock\.db is a SQLite file, but not a logbook of bringup"):
        open_for_writing(path)
    with pytest.raises(LogbookError, match="not a logbook of bringup"):
        read(path, lambda _: None)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("3V3 looked low on unit 12. " * 40)
    before = path.read_bytes()
    with pytest.raises(LogbookError, match="it is not a SQLite file"):
        open_for_writing(path)
    with pytest.raises(LogbookError, match="it is not a SQLite file"):
        read(path, lambda _: None)
    assert path.read_bytes() == before


def test_an_empty_file_becomes_a_logbook_when_written_and_is_none_when_read(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    path.touch()
    with pytest.raises(LogbookError, match="is not a logbook: empty"):
        read(path, lambda _: None)
    open_for_writing(path).connection.close()
    assert pragma(path, "user_version") == VERSION


def test_places_where_no_file_can_be_are_refused(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    (tmp_path / "folder").mkdir()
    with pytest.raises(LogbookError, match=r"there is no folder .*nowhere") as caught:
        open_for_writing(tmp_path / "nowhere" / "bringup.db")
    assert "Make the folder first" in caught.value.what_to_do
    with pytest.raises(LogbookError, match="is not a folder"):
        open_for_writing(tmp_path / "file" / "bringup.db")
    with pytest.raises(LogbookError, match="folder is a folder, not a file"):
        open_for_writing(tmp_path / "folder")
    with pytest.raises(LogbookError, match="is not an ordinary file"):
        open_for_writing(Path(os.devnull))


@pytest.mark.parametrize("ending", ["-wal", "-shm", "-journal"])
def test_a_folder_in_the_way_of_a_file_that_belongs_to_the_logbook_is_named(tmp_path: Path, ending: str) -> None:
    (tmp_path / f"bringup.db{ending}").mkdir()
    with pytest.raises(LogbookError, match=rf"folder .*bringup\.db{ending} is in the way"):
        open_for_writing(tmp_path / "bringup.db")


def test_a_read_only_file_is_refused_before_anything_is_powered() -> None:
    with not_root() as folder:
        path = folder / "bringup.db"
        open_for_writing(path).connection.close()
        path.chmod(0o444)
        with pytest.raises(LogbookError, match="cannot be written to") as caught:
            open_for_writing(path)
        assert "Allow writing to the file and its folder" in caught.value.what_to_do


def test_a_read_only_folder_is_refused_and_yet_can_be_read_from() -> None:
    with not_root() as folder:
        path = folder / "bringup.db"
        open_for_writing(path).connection.close()
        folder.chmod(0o555)
        with pytest.raises(LogbookError, match="cannot be written to"):
            open_for_writing(path)
        with pytest.raises(LogbookError, match="cannot be opened"):
            open_for_writing(folder / "other.db")
        assert read(path, lambda connection: connection.execute("SELECT count(*) FROM units").fetchone()[0]) == 0


def test_a_network_folder_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folders, "network_kind", lambda folder: "nfs4" if folder == tmp_path.resolve() else None)
    with pytest.raises(LogbookError, match=r"lies on a network folder \(nfs4\)") as caught:
        open_for_writing(tmp_path / "bringup.db")
    assert "disk of this computer" in caught.value.what_to_do
    assert not (tmp_path / "bringup.db").exists()


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/home/ada", None),
        ("/mnt/lab share/boards", "nfs4"),
        ("/mnt/lab shared", None),
        ("/home/ada/remote/boards", "fuse.sshfs"),
        ("/home/ada/remote/local/boards", None),
        ("/srv/boards", None),
    ],
)
def test_the_innermost_and_latest_mount_decides(folder: str, kind: str | None) -> None:
    assert network_mount(Path(folder), MOUNTS) == kind


def test_the_list_of_mounts_of_other_systems_is_understood() -> None:
    listing = "/dev/disk3s1 on / (apfs, sealed, local)\n//ada@nas/lab on /Volumes/lab (smbfs, nodev, mounted by ada)\n"
    assert _network_volume(Path("/Volumes/lab/boards"), listing) == "smbfs"
    assert _network_volume(Path("/Users/ada"), listing) is None


def test_the_folder_of_this_test_is_on_a_local_disk(tmp_path: Path) -> None:
    assert network_kind(tmp_path) is None


def test_a_migration_keeps_a_copy_and_the_rows(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    later = (*MIGRATIONS, Migration(VERSION + 1, "waivers", ("CREATE TABLE waivers (id TEXT NOT NULL) STRICT",)))
    with closing(open_for_writing(path).connection) as connection:
        connection.execute("INSERT INTO units VALUES ('MBL-0001', 0, 'Mooring buoy logger', 'B', '', '')")
        copy = migrations.bring_up_to_date(connection, path, later)
        assert connection.execute("PRAGMA foreign_keys").fetchone()[0] == 1
        assert migrations.bring_up_to_date(connection, path, later) is None
    assert copy == tmp_path / f"bringup.db.version-{VERSION}"
    assert "waivers" in columns(path)
    assert "waivers" not in columns(copy)
    for file in (path, copy):
        with closing(sqlite3.connect(file)) as connection:
            assert connection.execute("SELECT serial FROM units").fetchall() == [("MBL-0001",)]


def test_a_migration_that_fails_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    broken = (
        *MIGRATIONS,
        Migration(VERSION + 1, "broken", ("CREATE TABLE waivers (id TEXT) STRICT", "DROP TABLE no_such_table")),
    )
    with closing(open_for_writing(path).connection) as connection:
        with pytest.raises(sqlite3.OperationalError, match="no_such_table"):
            migrations.bring_up_to_date(connection, path, broken)
        assert connection.execute("PRAGMA foreign_keys").fetchone()[0] == 1
    assert "waivers" not in columns(path)
    assert pragma(path, "user_version") == VERSION


def test_a_migration_that_would_orphan_rows_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    orphaning = (*MIGRATIONS, Migration(VERSION + 1, "drop units", ("DELETE FROM units",)))
    with closing(open_for_writing(path).connection) as connection:
        connection.execute("INSERT INTO units VALUES ('MBL-0001', 0, 'Mooring buoy logger', 'B', '', '')")
        connection.execute(
            "INSERT INTO notes (id, serial, simulated, at, who, content)"
            " VALUES ('n', 'MBL-0001', 0, '2026-11-25T09:04:05.123456Z', 'ada', 'scratched')"
        )
        with pytest.raises(LogbookError, match="rows of 'notes' would lose what they refer to"):
            migrations.bring_up_to_date(connection, path, orphaning)
        assert connection.execute("SELECT count(*) FROM units").fetchone()[0] == 1


def test_an_earlier_copy_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    assert migrations.backup_path(path, 1).name == "bringup.db.version-1"
    migrations.backup_path(path, 1).touch()
    assert migrations.backup_path(path, 1).name == "bringup.db.version-1-2"
