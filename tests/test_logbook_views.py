"""The views that any SQLite tool may use: their names and columns stay, and the README's example runs."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from pathlib import Path

from tests.logbook_samples import filled_logbook

README = Path(__file__).parent.parent / "README.md"
PROMISED = {
    "reading_list": (
        "serial board revision variant lot procedure bench operator simulated attempt step step_kind step_title rail"
        " quantity aspect value unit nominal low high limits result uncertainty at instrument instrument_identity"
        " calibration_due board_state note id replaced_by"
    ),
    "attempt_list": (
        "id serial board revision variant lot procedure bench operator attended simulated started ended result cause"
        " off_verified ambient continues readings"
    ),
}


def test_views_have_the_columns_that_are_promised_and_a_row_each(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    filled_logbook(path)
    with closing(sqlite3.connect(path)) as connection:
        for view, columns in PROMISED.items():
            cursor = connection.execute(f"SELECT * FROM {view}")  # noqa: S608 - names from above
            assert " ".join(column[0] for column in cursor.description).startswith(columns)
            table = view.replace("_list", "s")
            (count,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608
            assert len(cursor.fetchall()) == count > 0


def test_the_query_in_the_readme_finds_what_failed(tmp_path: Path) -> None:
    (query,) = re.findall(r"```sql\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    path = tmp_path / "bringup.db"
    filled_logbook(path)

    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute(query).fetchall()

    assert found == [("L1", 4, 2.91, 3.31)], "MBL-0003's first value was corrected, the simulated unit's does not count"
