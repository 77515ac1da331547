from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.errors import FileError
from bringup.files.composing import compose
from bringup.files.nodes import Listing, Node, Pairs, Problems, Scalar
from bringup.files.source import LARGEST, open_file, read_source, read_text


def nodes_of(text: str) -> Node:
    problems = Problems("some.yaml", text)
    root = compose(text, problems)
    assert problems.found == []
    assert root is not None
    return root


def faults_of(text: str) -> list[str]:
    problems = Problems("some.yaml", text)
    compose(text, problems)
    return [f"{one.line}:{one.column}: {one.message} ({one.suggestion})" for one in problems.found]


@pytest.mark.parametrize(
    "written",
    ["0012E3", "1.10", "on", "yes", "1:30", "10:1", "0x1F", "1e3", "2027-03-01", "1_000", ".inf", "true", "=", "n"],
)
def test_a_scalar_stays_the_text_that_was_typed(written: str) -> None:
    root = nodes_of(f"serial: {written}\n")

    assert isinstance(root, Pairs)
    assert root.get("serial") == Scalar(written, 1, 9)


@pytest.mark.parametrize("written", ["", "~", "null"])
def test_nothing_is_known_from_a_quoted_nothing(written: str) -> None:
    bare, quoted = nodes_of(f"a: {written}\nb: '{written}'\n").pairs  # type: ignore[union-attr]

    assert isinstance(bare[1], Scalar)
    assert bare[1].empty
    assert isinstance(quoted[1], Scalar)
    assert not quoted[1].empty


def test_every_node_knows_its_line_and_column() -> None:
    root = nodes_of("rails:\n  5V0: {probe: TP1}\nsteps:\n  - one\n  - two\n")

    assert isinstance(root, Pairs)
    rails, steps = root.get("rails"), root.get("steps")
    assert isinstance(rails, Pairs)
    assert isinstance(steps, Listing)
    assert [(key.text, key.line, key.column) for key, _ in rails.pairs] == [("5V0", 2, 3)]
    assert [(item.line, item.column) for item in steps.items] == [(4, 5), (5, 5)]


def test_duplicate_tag_anchor_and_alias_are_told_in_one_go() -> None:
    text = "a: &x 1\nb: *x\nc: !volts 3\na: 2\n"

    assert [fault.split(" (")[0] for fault in faults_of(text)] == [
        "1:4: an anchor",
        "2:4: an alias",
        "3:4: a tag",
        "4:1: the key 'a' stands twice",
    ]


def test_a_limit_that_starts_with_a_greater_sign_is_told_to_go_into_quotes() -> None:
    (fault,) = faults_of("ground: {low: > 200 Ω}\n")

    assert "put a text that starts with >, %, @, & or * into quotes" in fault


def test_what_a_terminal_would_act_on_is_shown_as_a_dot() -> None:
    problems = Problems("some.yaml", 'a: 1\n"\\e[31ma": 1\n"\\e[31ma": 2\n')
    compose('a: 1\n"\\e[31ma": 1\n"\\e[31ma": 2\n', problems)

    (problem,) = problems.found
    assert problem.message == "the key '·[31ma' stands twice"


def test_a_problem_far_out_in_a_long_line_shows_no_line() -> None:
    text = "[" + "a, " * 100 + "!t b]\n"
    problems = Problems("some.yaml", text)
    compose(text, problems)

    (problem,) = problems.found
    assert (problem.column, problem.source) == (302, "")


def test_depth_is_bounded_however_deep_the_text() -> None:
    assert faults_of("[" * 100_000) == ["1:13: nested deeper than 12 levels ()"]
    assert faults_of("- " * 5_000) == ["1:25: nested deeper than 12 levels ()"]


def test_a_byte_order_mark_is_no_part_of_the_first_key(tmp_path: Path) -> None:
    path = tmp_path / "board.yaml"
    path.write_bytes(b"\xef\xbb\xbfboard: Buoy lamp\n")

    root = open_file(path).root
    assert isinstance(root, Pairs)
    assert root.get("board") == Scalar("Buoy lamp", 1, 8)


def test_windows_line_ends_change_no_place(tmp_path: Path) -> None:
    path = tmp_path / "board.yaml"
    path.write_bytes(b"board: Buoy lamp\r\nrails:\r\n  5V0: !t x\r\n")

    (problem,) = open_file(path).problems.found
    assert (problem.line, problem.column, problem.source) == (3, 8, "  5V0: !t x")


def test_a_file_that_cannot_be_had_says_so(tmp_path: Path) -> None:
    large = tmp_path / "large.yaml"
    large.write_bytes(b"#" * (LARGEST + 1))

    with pytest.raises(FileError, match=r"none\.yaml: no such file"):
        read_text(tmp_path / "none.yaml")
    with pytest.raises(FileError, match="a folder, not a file"):
        read_text(tmp_path)
    with pytest.raises(FileError, match=r"more than the 250000 bytes that are read \(is this the right file"):
        read_text(large)
    with pytest.raises(FileError, match="cannot be read"):
        read_text(Path("a\0b"))


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="this system has no endless file")
def test_a_file_without_an_end_is_not_read_for_ever() -> None:
    with pytest.raises(FileError, match="more than the 250000 bytes that are read"):
        read_text(Path("/dev/zero"))


def test_a_source_text_is_the_file_as_it_was_read(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text("bench: Corner bench  # ±\n", encoding="utf-8")

    source = read_source(path, "bench")

    assert (source.kind, source.path, source.text) == ("bench", str(path), "bench: Corner bench  # ±\n")


yaml_like = st.lists(
    st.sampled_from(
        [*"abV1 0.,:-[]{}'\"#&*!|>%@`?\n\t ~", "\n  ", ": ", "- ", "---\n", "<<", "\\x", "%YAML 1.2\n", "\x07", "é"]
    ),
    max_size=40,
).map("".join)


@given(st.one_of(st.text(max_size=60), yaml_like))
def test_any_text_gives_nodes_or_problems(text: str) -> None:
    problems = Problems("some.yaml", text)

    root = compose(text, problems)

    assert root is not None or problems.found
    assert all(one.line >= 1 and one.column >= 1 and str(one) for one in problems.found)
