"""Searching a text that comes in pieces: what `re` finds in each line, whatever the pieces, and never for long."""

from __future__ import annotations

import re
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.core.expression import expression, literal
from bringup.core.search import LONGEST, Found, Search
from bringup.errors import NotationError

ATOMS = st.sampled_from(
    ["a", "b", "A", " ", r"\d", r"\w", r"[ab]", r"[^a1]", r"[a-b1]", ".", r"\.", r"\s", r"\b", "^", "$", r"\B", "1"]
)


def repeated(atom: str) -> st.SearchStrategy[str]:
    times = ["", "", "", "*", "+", "?", "{2}", "{1,2}", "{,2}", "*?", "+?", "??", "{2,}"]
    return st.sampled_from(times).map(lambda sign: atom + sign)


def joined(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    several = st.lists(inner, min_size=1, max_size=4)
    return st.one_of(
        several.map("".join),
        several.map(lambda parts: f"(?:{'|'.join(parts)})").flatmap(repeated),
        several.map(lambda parts: f"({''.join(parts)})").flatmap(repeated),
    )


PATTERNS = st.recursive(ATOMS.flatmap(repeated), joined, max_leaves=8)
TEXTS = st.text(alphabet="ab1A .\n\r", max_size=40)


@st.composite
def pieces(draw: st.DrawFn, text: str) -> list[str]:
    cuts = sorted(draw(st.sets(st.integers(0, len(text)), max_size=8)))
    return [text[start:end] for start, end in zip([0, *cuts], [*cuts, len(text)], strict=True)]


def found_in(parts: list[str], pattern: str) -> Found | None:
    search = Search(expression(pattern))
    for part in parts:
        if (found := search.feed(part)) is not None:
            return found
    return search.finish()


def by_re(text: str, pattern: str) -> tuple[str, int] | None:
    at = 0
    for line in re.split("([\r\n])", text):
        if line not in ("\r", "\n") and (found := re.search(pattern, line)) is not None:
            return found[0], at + found.start()
        at += len(line)
    return None


@settings(max_examples=60)
@given(st.data())
def test_what_is_found_is_what_re_finds_first_in_a_line_whatever_the_pieces(data: st.DataObject) -> None:
    pattern = data.draw(st.tuples(PATTERNS, PATTERNS).map("".join))
    text = data.draw(TEXTS) + "\n"
    try:
        expression(pattern)
    except NotationError:
        return

    found = found_in(data.draw(pieces(text)), pattern)

    assert (None if found is None else (found.text, found.start)) == by_re(text, pattern)


@settings(max_examples=25)
@given(st.data(), st.text(alphabet="ab1 .", max_size=6), st.text(alphabet="ab1 .", max_size=6))
def test_groups_are_the_same_whatever_the_pieces(data: st.DataObject, one: str, other: str) -> None:
    text = f"noise\r\n{one}vbat={other}12.5 V\r\nmore"
    pattern = r"vbat=(?P<lead>\D*?)(?P<vbat>[\d.]+) (?P<unit>\w)(?P<never>x)?"

    found = found_in(data.draw(pieces(text)), pattern)

    wanted = re.search(pattern, text)
    if wanted is None:
        assert found is None
    else:
        assert found is not None
        assert found.groups == {name: value for name, value in wanted.groupdict().items() if value is not None}


def test_a_number_at_the_end_of_what_has_come_is_not_taken_before_it_has_ended() -> None:
    search = Search(expression(r"vbat=(?P<vbat>\d+)"))

    assert search.feed("vbat=32") is None
    found = search.feed("90\r")

    assert found is not None
    assert found.groups == {"vbat": "3290"}


def test_a_text_that_nothing_can_lengthen_is_found_at_once_without_an_end_of_line() -> None:
    assert Search(literal("login:")).feed("buoy login:") is not None


def test_what_might_have_become_longer_counts_when_the_time_is_up() -> None:
    search = Search(expression("ready>? *"))

    assert search.feed("ready> ") is None
    found = search.finish()

    assert found is not None
    assert found.text == "ready> "


@pytest.mark.parametrize("pattern", [r"(?:a|a|a){1,30}b", r".*.*.*.*x", r"\w+\s*\w+\s*\w+\s*z", r"[a-z]+[a-z0-9]+="])
def test_a_pattern_over_which_python_itself_would_brood_takes_its_time_once_a_character(pattern: str) -> None:
    search, begun = Search(expression(pattern)), time.process_time()

    found = search.feed("a" * 1000)

    assert found is None
    assert time.process_time() - begun < 10.0


def test_of_a_line_without_end_only_the_latest_part_is_kept_and_it_is_searched_on() -> None:
    search = Search(expression(r"<(?P<inside>[^<>]*)>"))
    for _ in range(3):
        assert search.feed("<" + "x" * LONGEST) is None

    found = search.feed("<y>")

    assert found is not None
    assert found.groups == {"inside": "y"}


@settings(max_examples=25)
@given(TEXTS, st.text(alphabet="ab1 .", min_size=1, max_size=3))
def test_a_plain_text_is_found_where_it_stands(text: str, wanted: str) -> None:
    search = Search(literal(wanted))
    found = search.feed(text)
    place = text.find(wanted)

    assert (-1 if found is None else found.start) == place


@pytest.mark.parametrize(
    ("pattern", "says", "offset"),
    [
        ("(", "not a regular expression: missing ), unterminated subpattern at position 0", 0),
        (r"(a)\1", r"\1 cannot be searched for", 3),
        ("a(?=b)", "(?= cannot be searched for", 1),
        (r"(?P<v>\d)+", "the group 'v' is repeated, and so would be several", 0),
        ("(?:a*)*b", "what is repeated here may be nothing", 0),
        ("a*", "it also finds nothing at all", 0),
        (r"\b", "it also finds nothing at all", 0),
        (r"a\nb", "\\n is an end of line, and each line is searched by itself", 1),
        ("a{3000}", "it is too large: more than 2000 steps", 0),
        (r"\Aboot", r"\A cannot be searched for", 0),
    ],
)
def test_what_cannot_be_searched_for_is_refused_with_its_place(pattern: str, says: str, offset: int) -> None:
    with pytest.raises(NotationError) as refused:
        expression(pattern)

    assert says in refused.value.message
    assert refused.value.offset == offset


@pytest.mark.parametrize("text", ["", "a\nb"])
def test_a_plain_text_of_several_lines_or_none_is_refused(text: str) -> None:
    with pytest.raises(NotationError):
        literal(text)


def test_capitals_do_not_count_where_the_pattern_says_so() -> None:
    assert Search(expression("(?i)ready [a-c]")).feed("READY B") is not None
