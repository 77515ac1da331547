"""Keys out of a terminal's bytes: whole characters, Esc by itself, arrows left out, nothing lost."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bringup.terminal.keystrokes import BACKSPACE, ENTER, ESCAPE, Keystrokes


def keys_of(*chunks: bytes) -> list[str]:
    strokes = Keystrokes()
    keys = [key for chunk in chunks for key in strokes.take(chunk)]
    return keys + strokes.nothing_follows()


@pytest.mark.parametrize(
    ("typed", "keys"),
    [
        (b"3.3\r", ["3", ".", "3", ENTER]),
        (b"\x7f\x08", [BACKSPACE, BACKSPACE]),
        (b"\x1b", [ESCAPE]),
        (b"\x1b[A", []),
        (b"\x1bOP", []),
        (b"\x1b[1;5C7", ["7"]),
        (b"a\x1b[15~b", ["a", "b"]),
        (b"\x1bq", [ESCAPE, "q"]),
        (b"\x1b\x1b[A", [ESCAPE]),
        ("10 kΩ".encode(), ["1", "0", " ", "k", "Ω"]),
        (b"\xff", ["\N{REPLACEMENT CHARACTER}"]),
    ],
)
def test_what_was_typed_is_what_comes_out(typed: bytes, keys: list[str]) -> None:
    assert keys_of(typed) == keys


@given(st.lists(st.sampled_from(["q", "3", "Ω", "µ", "\x1b[A", "\x1b[1;2D", "\x1bOQ", "\n"])), st.data())
def test_it_does_not_matter_how_the_bytes_are_cut(typed: list[str], data: st.DataObject) -> None:
    text = "".join(typed).encode()
    cuts = sorted(data.draw(st.lists(st.integers(0, len(text)), max_size=5)))
    ends = [0, *cuts, len(text)]

    assert keys_of(*(text[a:b] for a, b in pairwise(ends))) == keys_of(text)


def test_an_escape_is_held_until_it_is_known_what_it_begins() -> None:
    strokes = Keystrokes()

    assert strokes.take(b"\x1b") == []
    assert strokes.waiting
    assert strokes.take(b"[A") == []
    assert not strokes.waiting


def test_a_sequence_that_never_ends_does_not_swallow_what_is_typed() -> None:
    assert "q" in keys_of(b"\x1b[" + b"1;" * 40, b"q")
