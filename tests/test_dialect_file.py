from pathlib import Path

import pytest

from bringup.core.dialect import UNIT_OF_FUNCTION, Operation
from bringup.core.replies import ReplyKind
from bringup.core.spelling import PLACEHOLDERS
from bringup.errors import BenchError, FileError
from bringup.files.dialect_docs import absent, tables
from bringup.files.dialect_file import find_dialect, load_dialect, shipped_dialects
from bringup.files.dialect_operations import NEEDED_OPERATIONS, OPERATIONS
from bringup.files.field_docs import part_of

MINE = (
    'dialect: mine\nrole: supply\nwrite_end: "\\r\\n"\ngap: 50 ms\ntimeout: 3 s\nclear_re_energises: yes\n'
    "output_scope: all\nidentity_pattern: 'MODEL-[0-9]+'\nover_range_from: 1e30\noperations:\n"
    "  identify: {query: '*IDN?', reply: identity}\n  set_voltage: {send: 'V {value}', query: 'V?'}\n"
    "  set_current_limit: {send: ['CH {output}', 'I {value}']}\n  switch: {send: 'O {on}', words: {1: on, 0: off}}\n"
    "  measure_voltage: {query: 'M?', field: 1}\n  measure_current: {query: 'N?'}\n"
)


def test_every_dialect_that_ships_is_sound_and_named_like_its_file() -> None:
    shipped = shipped_dialects()

    assert {"select-by-number", "single-output", "configure-and-read"} <= set(shipped)
    for name in shipped:
        dialect = find_dialect(name, Path())
        assert dialect.name == name
        assert set(NEEDED_OPERATIONS[dialect.role]) <= set(dialect.operations) <= set(OPERATIONS[dialect.role])


def test_a_dialect_file_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(MINE)

    dialect = load_dialect(path)

    assert (dialect.name, dialect.role, dialect.write_end, dialect.read_end) == ("mine", "supply", "\r\n", "\n")
    assert (dialect.gap, dialect.timeout, dialect.over_range_from) == (0.05, 3.0, 1e30)
    assert (dialect.clear_re_energises, dialect.output_scope) == (True, "all")
    assert dialect.identity_pattern == "MODEL-[0-9]+"
    operations = dialect.operations
    assert operations["set_voltage"] == Operation(send=("V {value}",), query="V?", reply=ReplyKind.NUMBER)
    assert operations["set_current_limit"].send == ("CH {output}", "I {value}")
    assert operations["switch"].words == {"1": "on", "0": "off"}
    assert operations["measure_voltage"].field == 1


def test_functions_and_ranges_of_a_meter_are_read_in_base_units() -> None:
    dialect = find_dialect("configure-and-read", Path())

    assert dialect.functions["dc volts"] == "VOLT:DC"
    assert set(dialect.functions) == set(UNIT_OF_FUNCTION)
    assert dialect.ranges["dc volts"] == (0.1, 1.0, 10.0, 100.0, 1000.0)
    assert dialect.ranges["ohms"][0] == 100.0


def test_a_users_own_file_goes_before_one_that_ships(tmp_path: Path) -> None:
    own = MINE.replace("dialect: mine", "dialect: single-output")
    (tmp_path / "single-output.yaml").write_text(own)

    dialect = find_dialect("single-output", tmp_path / "bench.yaml")

    assert dialect.operations["set_voltage"].send == ("V {value}",)
    assert dialect.path == str(tmp_path / "single-output.yaml")


def test_a_dialect_that_nobody_knows_is_named_with_its_nearest(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"no dialect is called 'singel-output'\n.*did you mean 'single-output'"):
        find_dialect("singel-output", tmp_path)


@pytest.mark.parametrize("name", ["../mine", "/etc/passwd", "..", ".hidden", "a\\b", "c:mine"])
def test_a_dialect_is_named_not_reached_by_a_path(tmp_path: Path, name: str) -> None:
    inner = tmp_path / "inner"
    inner.mkdir()
    (tmp_path / "mine.yaml").write_text(MINE)

    with pytest.raises(BenchError, match="no dialect is called"):
        find_dialect(name, inner)


def test_a_wrong_dialect_of_ones_own_is_not_passed_over_for_one_that_ships(tmp_path: Path) -> None:
    (tmp_path / "single-output.yaml").write_text("dialect: single-output\nrole: supply\n")

    with pytest.raises(FileError, match="the dialect needs 'operations'"):
        find_dialect("single-output", tmp_path)


def test_the_tables_for_contributors_are_those_of_the_files() -> None:
    text = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    inside = text.partition("<!-- dialects -->\n")[2].partition("<!-- end of dialects -->")[0]

    assert inside.strip() == tables().strip(), "write them anew with bringup.files.dialect_docs.tables()"
    assert all(f"**{name}**" in inside for name in shipped_dialects())


def test_the_readme_names_every_dialect_that_ships() -> None:
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")

    assert [name for name in shipped_dialects() if f"`{name}`" not in readme] == []


def test_what_a_dialect_has_no_word_for_is_stated() -> None:
    assert absent(find_dialect("set-colon", Path()))[:2] == ("error", "other_error")
    assert "set_over_voltage" not in absent(find_dialect("single-output", Path()))


def test_every_operation_and_every_brace_is_explained_where_an_operation_is() -> None:
    shown = part_of("operation")

    assert shown is not None
    assert [hole for hole in PLACEHOLDERS if f"{{{hole}}}" not in shown] == []
    assert [name for names in OPERATIONS.values() for name in names if f"| `{name}`" not in shown] == []
    assert "| `switch` **needed** | an output on or off |" in shown
