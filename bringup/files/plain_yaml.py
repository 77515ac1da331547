"""Reads the plain part of YAML in which files of ours are nearly always written, or leaves a text alone.

Why: ruamel.yaml takes 75 ms to be loaded and to go through four files, a sixth of a start of `bringup run`; this takes
3 ms. It decides nothing by itself: of a text that it reads, ruamel.yaml makes the same nodes at the same places and has
nothing to say, to which the tests hold it; every other text, and so every faulty one, it leaves to `full_yaml.py`.

Read are: block mappings and lists, `- key: value`, flow mappings and lists over several lines, comments, and texts on
one line, plain or in quotes. Not read are: tabs, carriage returns and whatever else does not show, anything left
empty, texts over several lines or blocks (`|`, `>`), anchors, aliases, tags, directives, document marks, `?` keys, a
key that stands twice, and what is long or deep.
"""

from __future__ import annotations

import re

from bringup.files.nodes import DEEPEST, Listing, Node, Pairs, Scalar

LONGEST = 16_000
"""Characters of a text that is read. It can hold no more than half as many values, which is within `nodes.MOST`."""

LONGEST_KEY = 200
"""Characters of a key; YAML allows 1024."""

# A plain text begins with what can begin nothing else, and ends before ': ', ' #' or, in brackets, a bracket or comma.
_FIRST = r"(?:[^\W_]|[/+<(~]|\.(?!\.\.)|-(?=[^\W_]))"
_SINGLE = r"'([^'\n]*(?:''[^'\n]*)*)'"
_DOUBLE = r'"([^"\\\n]*(?:\\[nrt"\\][^"\\\n]*)*)"'
_IN_BLOCK = re.compile(rf"({_FIRST}(?:[^\n: ]|:(?=[^ \n])| +(?=[^ #\n:]))*)|{_SINGLE}|{_DOUBLE}")
_IN_FLOW = re.compile(rf"({_FIRST}(?:[^\n: ,?\[\]{{}}]|:(?=[\w/.:])| +(?=[^ #\n:,?\[\]{{}}]))*)|{_SINGLE}|{_DOUBLE}")
_ESCAPED = re.compile(r'\\([nrt"\\])')
_MEANT = {"n": "\n", "r": "\r", "t": "\t", '"': '"', "\\": "\\"}
_REST_OF_LINE = re.compile(r"(?: +#[^\n]*| *)\n")
_EMPTY_LINES = re.compile(r"(?: *(?:#[^\n]*)?\n)*( *)")
_GAP = re.compile(r"(?: +|\n|(?<=[ \n])#[^\n]*)*")


def read_plain(text: str) -> Pairs | None:
    """Return the mapping that a text of the plain part holds; None where it is anything else."""
    if len(text) > LONGEST or not text.replace("\n", "").isprintable():
        return None
    try:
        return _Reader(text + "\n").document()
    except _NotPlain:
        return None


class _NotPlain(Exception):  # noqa: N818 - never leaves this module
    pass


class _Reader:
    """Goes through a text once. `_at` is the next character, `_indent` the blanks before it where it begins a line."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line = 1
        self._line_begins = 0
        self._indent = 0
        self._outer = 0
        """Blanks before the block that a flow collection stands in: its own lines are indented further."""

    def document(self) -> Pairs:
        """Read the whole text."""
        self._to_next_line()
        if self._indent:
            raise _NotPlain
        root = self._mapping(0, 1)
        if self._at < len(self._text):
            raise _NotPlain
        return root

    def _to_next_line(self) -> None:
        """Go to the first character of the next line that holds something, from the beginning of a line."""
        found = _EMPTY_LINES.match(self._text, self._at)
        assert found is not None, "it matches nothing, too"
        self._line += self._text.count("\n", self._at, found.end())
        self._at = found.end()
        self._line_begins = found.start(1)
        self._indent = found.end() - found.start(1)
        if self._at == len(self._text):
            self._indent = -1  # less than every block has

    def _end_line(self) -> None:
        """Go over a comment to the next line."""
        found = _REST_OF_LINE.match(self._text, self._at)
        if found is None:
            raise _NotPlain
        self._at = found.end()
        self._line += 1
        self._to_next_line()

    def _place(self) -> tuple[int, int]:
        return self._line, self._at - self._line_begins + 1

    def _scalar(self, form: re.Pattern[str]) -> Scalar:
        found = form.match(self._text, self._at)
        if found is None:
            raise _NotPlain
        line, column = self._place()
        self._at = found.end()
        plain, single, double = found.groups()
        if plain is not None:
            return Scalar(plain, line, column)
        if single is not None:
            return Scalar(single.replace("''", "'"), line, column, plain=False)
        return Scalar(_ESCAPED.sub(lambda one: _MEANT[one[1]], double), line, column, plain=False)

    def _key(self, form: re.Pattern[str], known: dict[str, tuple[Scalar, Node]]) -> Scalar:
        """Read a key and the colon after it."""
        key = self._scalar(form)
        if self._text[self._at] != ":" or self._text[self._at + 1] not in " \n":
            raise _NotPlain
        if key.text in known or key.text == "<<" or len(key.text) > LONGEST_KEY:
            raise _NotPlain
        self._at += 1
        return key

    def _block(self, indent: int, depth: int) -> Node:
        return self._list(indent, depth) if self._text.startswith("- ", self._at) else self._mapping(indent, depth)

    def _mapping(self, indent: int, depth: int) -> Pairs:
        """Read a block mapping whose keys stand after that many blanks."""
        if depth >= DEEPEST:
            raise _NotPlain
        line, column = self._place()
        pairs: dict[str, tuple[Scalar, Node]] = {}
        while True:
            key = self._key(_IN_BLOCK, pairs)
            pairs[key.text] = (key, self._value(indent, depth + 1))
            if self._indent != indent:
                break
        if self._indent > indent:
            raise _NotPlain
        return Pairs(tuple(pairs.values()), line, column)

    def _value(self, indent: int, depth: int) -> Node:
        """Read what follows the colon of a block mapping: a block on the lines below, or something on this one."""
        if _REST_OF_LINE.match(self._text, self._at):
            self._end_line()
            if self._indent > indent:
                return self._block(self._indent, depth)
            if self._indent == indent and self._text.startswith("- ", self._at):
                return self._list(indent, depth)
            raise _NotPlain
        self._skip_blanks()
        value = self._inline(_IN_BLOCK, indent, depth)
        self._end_line()
        return value

    def _list(self, indent: int, depth: int) -> Listing:
        """Read a block list whose dashes stand after that many blanks."""
        if depth >= DEEPEST:
            raise _NotPlain
        line, column = self._place()
        items: list[Node] = []
        while self._indent == indent and self._text.startswith("- ", self._at):
            self._at += 1
            self._skip_blanks()
            begin, place = self._at, self._at - self._line_begins
            item = self._inline(_IN_BLOCK, indent, depth + 1)
            if self._text[self._at] == ":":
                self._at = begin
                item = self._mapping(place, depth + 1)
            else:
                self._end_line()
            items.append(item)
        if self._indent > indent:
            raise _NotPlain
        return Listing(tuple(items), line, column)

    def _inline(self, form: re.Pattern[str], indent: int, depth: int) -> Node:
        if self._text[self._at] in "[{":
            self._outer = indent
            return self._flow(depth)
        return self._scalar(form)

    def _flow(self, depth: int) -> Node:
        """Read a mapping or list in brackets."""
        if depth >= DEEPEST:
            raise _NotPlain
        line, column = self._place()
        mapping = self._text[self._at] == "{"
        close = "}" if mapping else "]"
        pairs: dict[str, tuple[Scalar, Node]] = {}
        items: list[Node] = []
        self._at += 1
        more = self._next_in_flow() != close
        while more:
            if mapping:
                key = self._key(_IN_FLOW, pairs)
                self._next_in_flow()
                pairs[key.text] = (key, self._in_flow(depth + 1))
            else:
                items.append(self._in_flow(depth + 1))
            after = self._next_in_flow()
            more = after == ","
            if more:
                self._at += 1
                self._next_in_flow()
            elif after != close:
                raise _NotPlain
        self._at += 1
        return Pairs(tuple(pairs.values()), line, column) if mapping else Listing(tuple(items), line, column)

    def _in_flow(self, depth: int) -> Node:
        return self._flow(depth) if self._text.startswith(("[", "{"), self._at) else self._scalar(_IN_FLOW)

    def _next_in_flow(self) -> str:
        """Go over blanks, line ends and comments; return the character that stands there, '' at the end."""
        begin = self._at
        found = _GAP.match(self._text, begin)
        assert found is not None, "it matches nothing, too"
        self._at = found.end()
        lines = self._text.count("\n", begin, self._at)
        if lines:
            self._line += lines
            self._line_begins = self._text.rindex("\n", begin, self._at) + 1
            if self._at - self._line_begins <= self._outer:
                raise _NotPlain
        return self._text[self._at : self._at + 1]

    def _skip_blanks(self) -> None:
        while self._text[self._at] == " ":
            self._at += 1
