"""The quick reader of plain YAML against ruamel.yaml: what it reads, it reads alike, and the rest it leaves alone."""

from pathlib import Path

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from bringup.files.full_yaml import compose_any
from bringup.files.nodes import DEEPEST, MOST, Listing, Node, Pairs, Problems, Scalar
from bringup.files.plain_yaml import LONGEST, LONGEST_KEY, read_plain

ROOT = Path(__file__).parent.parent
SOUND = sorted(
    path
    for folder in ("procedures", "fixtures/boards", "fixtures/benches", "bringup/instruments/dialects")
    for path in (ROOT / folder).glob("*.yaml")
)
TEXTS = [path.read_text(encoding="utf-8") for path in SOUND]
PIECES = [
    *(
        "a",
        "b",
        "c d",
        "3V3",
        "'q'",
        '"r"',
        "'it''s'",
        '"\\n"',
        "-12 V",
        "± 2 %",
        "../x",
        "...",
        "---",
        "<<",
        "~",
        "é",
        "½",
    ),
    *(
        ":",
        ": ",
        " : ",
        "::",
        "a:b",
        "a: b",
        " ",
        "  ",
        "\n",
        "\n  ",
        "\n    ",
        "\n- ",
        "\n  - ",
        "- ",
        "- a: ",
        "\n\n",
    ),
    *("{", "}", "[", "]", ",", ", ", "{a: b}", "[a, b]", "[]", "{}", "#", " #", " # c\n", "\n# c\n", "\n   # c\n"),
    *(
        "?",
        "? ",
        "&a ",
        "*a",
        "!t ",
        "|\n",
        ">",
        "%",
        "@",
        "`",
        "=",
        "\\",
        "'",
        '"',
        "''",
        "_",
        "/",
        "+",
        "(",
        "<",
        "0",
        ".",
    ),
    *("\t", "\r\n", "\x85", "\xa0", "\u2028", "\u3000", "\ufeff", "\x00", "\x7f", "\ufffe", "\U0001f6df", "\ud800"),
]


def by_ruamel(text: str) -> tuple[Node | None, list[str]]:
    problems = Problems("some.yaml", text)
    return compose_any(text, problems), [one.message for one in problems.found]


def hold_to_the_law(text: str) -> None:
    root = read_plain(text)
    event("read" if root is not None else "left alone")
    if root is not None:
        assert by_ruamel(text) == (root, [])


@st.composite
def written(draw: st.DrawFn, indent: int = 0, depth: int = 4) -> str:
    """A mapping in block style, as people write it, more or less."""
    lines = []
    for number in range(draw(st.integers(1, 3))):
        key = draw(st.sampled_from(("a", "b c", "'0'", '"q"', "3V3", "x,y", "k-[z]"))).replace("a", f"a{number}")
        end = draw(st.sampled_from(("", "", " # c", "\n", "\n# c", f"\n{' ' * indent}# c")))
        more = indent + draw(st.integers(1, 3))
        form = draw(st.sampled_from(("text", "flow", "block", "list", "list", "folded"))) if depth else "text"
        if form == "block":
            value = f"{end}\n{draw(written(more, depth - 1))}"
        elif form == "list":
            dash = draw(st.sampled_from((indent, more)))
            kind = st.one_of(TEXT, FLOW, written(dash + 2, depth - 1).map(str.lstrip))
            value = f"{end}\n" + "\n".join(
                f"{' ' * dash}- {item}" for item in draw(st.lists(kind, min_size=1, max_size=3))
            )
        elif form == "folded":
            inner = draw(st.lists(FLOW, min_size=1, max_size=3))
            value = " [" + f",{end}\n{' ' * more}".join(inner) + "]"
        else:
            value = f" {draw(TEXT if form == 'text' else FLOW)}{end}"
        lines.append(f"{' ' * indent}{key}:{value}")
    return "\n".join(lines)


TEXT = st.sampled_from(
    ("24 V", "> 1 V", "'> 1 V'", '"\\n"', "3.3 V ± 2 %", "-12 V", "a:b", "x#y", "é it's", "1:30", "../b.yaml", "[z")
)
FLOW = st.recursive(
    TEXT,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
        st.lists(inner, max_size=3).map(
            lambda items: "{" + ", ".join(f"k{n}: {one}" for n, one in enumerate(items)) + "}"
        ),
    ),
    max_leaves=5,
)


@given(written())
def test_what_people_write_is_read_as_ruamel_reads_it(text: str) -> None:
    hold_to_the_law(text)


@given(
    st.lists(st.sampled_from(PIECES), max_size=12).map("".join),
    st.sampled_from(("", "a: ", "a:\n  ", "a:\n- ", "a: [")),
)
def test_any_jumble_is_read_as_ruamel_reads_it_or_left_alone(text: str, before: str) -> None:
    hold_to_the_law(before + text)


@given(st.data())
def test_a_damaged_file_is_read_as_ruamel_reads_it_or_left_alone(data: st.DataObject) -> None:
    text = data.draw(st.sampled_from(TEXTS))
    lines = text.split("\n")
    begin = data.draw(st.integers(0, len(lines)))
    text = "\n".join(lines[begin : begin + data.draw(st.integers(1, 12))])
    for _ in range(data.draw(st.integers(0, 3))):
        at = data.draw(st.integers(0, len(text)))
        text = text[:at] + data.draw(st.sampled_from(PIECES)) + text[at + data.draw(st.sampled_from((0, 0, 1, 2, 9))) :]
    hold_to_the_law(text)


@pytest.mark.parametrize("path", SOUND, ids=lambda path: path.name)
def test_our_own_files_are_read_quickly(path: Path) -> None:
    text = path.read_text(encoding="utf-8")

    root = read_plain(text)

    assert root is not None
    assert by_ruamel(text) == (root, [])


def test_texts_keep_their_places_and_say_whether_they_were_quoted() -> None:
    assert read_plain("# c\na:\n- b: 'it''s'\n  c: [x, \"\\n\"] # c\n") == Pairs(
        (
            (
                Scalar("a", 2, 1),
                Listing(
                    (
                        Pairs(
                            (
                                (Scalar("b", 3, 3), Scalar("it's", 3, 6, plain=False)),
                                (
                                    Scalar("c", 4, 3),
                                    Listing((Scalar("x", 4, 7), Scalar("\n", 4, 10, plain=False)), 4, 6),
                                ),
                            ),
                            3,
                            3,
                        ),
                    ),
                    3,
                    1,
                ),
            ),
        ),
        2,
        1,
    )


@pytest.mark.parametrize(
    "text",
    [
        *(
            "",
            "a",
            "- a",
            "{a: b}",
            " a: b",
            "a:",
            "a: b\na: c",
            "<<: {a: b}",
            "a: b\n c: d",
            "a:\n  b: c\n d: e",
            "a: b\nc",
        ),
        *(
            "a: |\n  b",
            "a: >\n  b",
            "a: b\n  c",
            "a: 'b\n  c'",
            "a: &b c",
            "a: *b",
            "a: !t b",
            "? a\n: b",
            "--- \na: b",
            "a: b\n...",
        ),
        *(
            "%YAML 1.2\n---\na: b",
            "a:\tb",
            "a: b\r\nc: d",
            "a: \x85",
            "a: \ufeff",
            "a: \xa0b",
            "a: \x00",
            'a: "\\x41"',
        ),
        *(
            "a: {b}",
            "a: {b: }",
            "a: [b: c]",
            "a: [b, ]",
            "a: [b\nc: d",
            "a: [b,\nc]",
            "a: [",
            "a: {b: 'c'd}",
            "a: b: c",
            "a : b",
        ),
        *("a: [b c?]", "a: @b", "a: `b", "a: % b", "a:\n  [b]", "- a: b\n- c", "a: > 1 V", "a: b\nc:"),
    ],
)
def test_what_is_not_plain_is_left_alone(text: str) -> None:
    assert read_plain(text) is None


def test_what_is_deep_or_long_is_left_alone() -> None:
    deep = DEEPEST - 2  # the mapping itself, and the text inside, are levels too

    assert read_plain(f"a: {'[' * deep}b{']' * deep}") is not None
    assert read_plain(f"a: {'[' * (deep + 1)}b{']' * (deep + 1)}") is None
    assert read_plain("k" * LONGEST_KEY + ": b") is not None
    assert read_plain("k" * (LONGEST_KEY + 1) + ": b") is None
    assert read_plain("a: " + "b" * LONGEST) is None


def test_the_longest_text_that_is_read_holds_fewer_values_than_are_permitted() -> None:
    text = "a: [" + "b," * ((LONGEST - 6) // 2) + "b]"

    root = read_plain(text)

    assert root is not None
    assert by_ruamel(text) == (root, [])
    assert LONGEST / 2 < MOST
