"""A regular expression as it is read: what follows each other, alternatives, repeats, named groups. Pure.

Only what can be searched for without going back is read; expression.py makes a program of it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NoReturn

from bringup.core.frozen import frozen
from bringup.errors import NotationError

BIT_BY_BIT = "cannot be searched for in a text that comes bit by bit"
MOST_NESTED = 20
MOST_KNOWN = 2000
"""Characters of which a class remembers whether it has them."""

_CLASS = re.compile(r"\[\^?\]?(?:\\.|[^\]\\])*\]", re.DOTALL)
_COUNT = re.compile(r"\{(\d*)(,?)(\d*)\}")
_NAMED = re.compile(r"\?P<(\w+)>")
_HEX = re.compile(r"\\x[0-9a-fA-F]{2}")
_CLASSES = "dDsSwW"


@dataclass(slots=True)
class One:
    """A step that takes one character of a class."""

    text: str
    """The class as an expression of its own."""
    flags: int = 0
    _known: dict[str, bool] = field(default_factory=dict)

    def accepts(self, character: str) -> bool:
        """Whether the class has this character."""
        found = self._known.get(character)
        if found is None:
            if len(self._known) > MOST_KNOWN:
                self._known.clear()
            found = self._known[character] = re.fullmatch(self.text, character, self.flags) is not None
        return found


@frozen
class Place:
    """Go on only at such a place: `^`, `$`, `b` (edge of a word) or `B`."""

    kind: str


@frozen
class Row:
    """One after the other."""

    parts: tuple[Tree, ...]


@frozen
class Either:
    """One of these, the first preferred."""

    parts: tuple[Tree, ...]


@frozen
class Repeat:
    """Several times, as often as can be where `greedy`."""

    of: Tree
    least: int
    most: int | None
    greedy: bool


@frozen
class Group:
    """A named group."""

    name: str
    of: Tree


Tree = Row | Either | Repeat | Group | One | Place


class Reader:
    """Reads an expression that Python's `re` has accepted."""

    def __init__(self, text: str) -> None:
        self.names: list[str] = []
        self._text, self._at, self._flags = text, 0, 0
        self._depth = self._repeated = 0
        if text.startswith("(?i)"):
            self._at, self._flags = 4, re.IGNORECASE

    def whole(self) -> Tree:
        """Return all of it. Raises NotationError."""
        return self._alternatives()

    def _refuse(self, what: str, at: int) -> NoReturn:
        raise NotationError(
            what,
            text=self._text,
            offset=at,
            what_to_do=r"What can be: letters, [...], . \d \w \s, (?P<name>...), (?:...), |, * + ? {2,4}, ^ $ \b.",
        )

    def _ahead(self) -> str:
        return self._text[self._at : self._at + 1]

    def _alternatives(self) -> Tree:
        self._depth += 1
        if self._depth > MOST_NESTED:
            self._refuse(f"a group within {MOST_NESTED} others: that is too deep", self._at)
        parts = [self._sequence()]
        while self._ahead() == "|":
            self._at += 1
            parts.append(self._sequence())
        self._depth -= 1
        return parts[0] if len(parts) == 1 else Either(tuple(parts))

    def _sequence(self) -> Tree:
        parts: list[Tree] = []
        while self._ahead() not in ("", "|", ")"):
            parts.append(self._repeats())
        return parts[0] if len(parts) == 1 else Row(tuple(parts))

    def _repeats(self) -> Tree:
        begun, names = self._at, len(self.names)
        tree = self._atom()
        if (times := self._times()) is None:
            return tree
        if len(self.names) > names and times[1] != 1:
            self._refuse(f"the group '{self.names[-1]}' is repeated, and so would be several", begun)
        if may_be_empty(tree):
            self._refuse("what is repeated here may be nothing", begun)
        lazy = self._ahead() == "?"
        self._at += lazy
        if self._ahead() == "+":
            self._refuse(f"a repeat that gives nothing back {BIT_BY_BIT}", self._at)
        return Repeat(tree, *times, greedy=not lazy)

    def _times(self) -> tuple[int, int | None] | None:
        simple = {"*": (0, None), "+": (1, None), "?": (0, 1)}
        if (sign := self._ahead()) in simple:
            self._at += 1
            return simple[sign]
        found = _COUNT.match(self._text, self._at)
        if found is None or not (found[1] or found[2]):
            return None  # a brace that counts nothing is a brace
        self._at = found.end()
        least = int(found[1] or 0)
        return least, (int(found[3]) if found[3] else None) if found[2] else least

    def _atom(self) -> Tree:
        begun, sign = self._at, self._ahead()
        self._at += 1
        match sign:
            case "(":
                return self._group(begun)
            case "[":
                found = _CLASS.match(self._text, begun)
                assert found is not None, "re has accepted it"
                self._at = found.end()
                return One(found[0], self._flags)
            case ".":
                return One("(?s:.)")
            case "^" | "$":
                return Place(sign)
            case "\\":
                return self._escaped(begun)
            case _:
                return One(re.escape(sign), self._flags)

    def _escaped(self, begun: int) -> Tree:
        sign = self._ahead()
        self._at += 1
        if sign in _CLASSES:
            return One(f"\\{sign}", self._flags)
        if sign in "bB":
            return Place(sign)
        if found := _HEX.match(self._text, begun):
            self._at = found.end()
            return One(found[0], self._flags)
        if sign in "nr":
            self._refuse(f"\\{sign} is an end of line, and each line is searched by itself", begun)
        if sign.isalnum() and sign not in "tfva":
            self._refuse(f"\\{sign} {BIT_BY_BIT}", begun)
        return One(f"\\{sign}", self._flags)

    def _group(self, begun: int) -> Tree:
        name = ""
        if found := _NAMED.match(self._text, self._at):
            name = found[1]
            self.names.append(name)
            self._at = found.end()
        elif self._text.startswith("?:", self._at):
            self._at += 2
        elif self._ahead() == "?":
            self._refuse(f"{self._text[begun : begun + 3]} {BIT_BY_BIT}", begun)
        inner = self._alternatives()
        self._at += 1  # its closing parenthesis
        return Group(name, inner) if name else inner


def may_be_empty(tree: Tree) -> bool:
    """Whether it also finds nothing at all."""
    match tree:
        case One():
            return False
        case Place():
            return True
        case Row():
            return all(may_be_empty(each) for each in tree.parts)
        case Either():
            return any(may_be_empty(each) for each in tree.parts)
        case Repeat():
            return tree.least == 0 or may_be_empty(tree.of)
        case Group():
            return may_be_empty(tree.of)
