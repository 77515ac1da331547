r"""Regular expressions that can be searched for without ever going back: read from text, made into a small program.

Python's own engine tries every way through a pattern, which on a text that nobody chose can take for ever, and cannot
be stopped meanwhile. Here every character is looked at once (search.py), so only what permits that is read: literals,
classes, `.`, groups, `|`, repeats, `^`, `$` and `\b`, with Python's meaning. The rest is refused with words. Pure.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NoReturn

from bringup.core.frozen import frozen
from bringup.errors import NotationError

MOST_STEPS = 2000
"""Size of a program: what a repeat such as `{50}` multiplies counts that often."""
MOST_NESTED = 20
LINE_ENDS = "\r\n"

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
            if len(self._known) > MOST_STEPS:
                self._known.clear()
            found = self._known[character] = re.fullmatch(self.text, character, self.flags) is not None
        return found


@frozen
class Save:
    """Note the place: 0 and 1 for the whole, then two for each named group."""

    slot: int


@frozen
class Fork:
    """Go on at each of these steps, the first one preferred."""

    ways: tuple[int, ...]


@frozen
class Place:
    """Go on only at such a place: `^`, `$`, `b` (edge of a word) or `B`."""

    kind: str


@frozen
class Done:
    """Found."""


Instruction = One | Save | Fork | Place | Done


@frozen
class Program:
    """An expression as steps. After One, Save and Place comes the next step."""

    text: str
    steps: tuple[Instruction, ...]
    groups: tuple[str, ...] = ()
    """Names of its groups, in the order of their slots."""


def literal(text: str) -> Program:
    """Return what finds this very text. Raises NotationError for one that is empty or has an end of line in it."""
    if not text:
        raise NotationError("nothing to look for", text=text, what_to_do="Write the text that is waited for.")
    _refuse_line_ends(text)
    ones = (One(re.escape(each)) for each in text)
    return Program(text, (Save(0), *ones, Save(1), Done()))


def expression(text: str) -> Program:
    """Read an expression. Raises NotationError with the place of what cannot be searched for."""
    _refuse_line_ends(text)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            re.compile(text)
    except (re.error, FutureWarning, DeprecationWarning, OverflowError, RecursionError) as error:
        raise NotationError(
            f"not a regular expression: {error}",
            text=text,
            offset=getattr(error, "pos", 0) or 0,
            what_to_do="Write it as Python's `re` module reads it.",
        ) from error
    reader = _Reader(text)
    tree = reader.whole()
    if _may_be_empty(tree):
        raise NotationError("it also finds nothing at all", text=text, what_to_do="Let it ask for something.")
    program = _Made(reader.names, text)
    program.add(Save(0))
    program.build(tree)
    program.add(Save(1))
    program.add(Done())
    return Program(text, tuple(program.steps), tuple(reader.names))


def _refuse_line_ends(text: str) -> None:
    place = next((index for index, each in enumerate(text) if each in LINE_ENDS), None)
    if place is not None:
        raise NotationError(
            "it goes over the end of a line, and each line is searched by itself",
            text=text,
            offset=place,
            what_to_do="Look for what stands in one line; `^` and `$` are its ends.",
        )


# An expression as it was read: what follows each other, alternatives, repeats, named groups.


@frozen
class _All:
    parts: tuple[_Tree, ...]


@frozen
class _Any:
    parts: tuple[_Tree, ...]


@frozen
class _Repeat:
    of: _Tree
    least: int
    most: int | None
    greedy: bool


@frozen
class _Group:
    name: str
    of: _Tree


_Tree = _All | _Any | _Repeat | _Group | One | Place


class _Reader:
    """Reads an expression that Python's `re` has accepted."""

    def __init__(self, text: str) -> None:
        self.names: list[str] = []
        self._text, self._at, self._flags = text, 0, 0
        self._depth = self._repeated = 0
        if text.startswith("(?i)"):
            self._at, self._flags = 4, re.IGNORECASE

    def whole(self) -> _Tree:
        return self._alternatives()

    def _refuse(self, what: str, at: int) -> NoReturn:
        raise NotationError(
            f"{what} cannot be searched for in a text that comes bit by bit",
            text=self._text,
            offset=at,
            what_to_do=r"What can be: letters, [...], . \d \w \s, (?P<name>...), (?:...), |, * + ? {2,4}, ^ $ \b.",
        )

    def _ahead(self) -> str:
        return self._text[self._at : self._at + 1]

    def _alternatives(self) -> _Tree:
        self._depth += 1
        if self._depth > MOST_NESTED:
            self._refuse(f"a group within {MOST_NESTED} others", self._at)
        parts = [self._sequence()]
        while self._ahead() == "|":
            self._at += 1
            parts.append(self._sequence())
        self._depth -= 1
        return parts[0] if len(parts) == 1 else _Any(tuple(parts))

    def _sequence(self) -> _Tree:
        parts: list[_Tree] = []
        while self._ahead() not in ("", "|", ")"):
            parts.append(self._repeats())
        return parts[0] if len(parts) == 1 else _All(tuple(parts))

    def _repeats(self) -> _Tree:
        begun, names = self._at, len(self.names)
        tree = self._atom()
        if (times := self._times()) is None:
            return tree
        if len(self.names) > names and times[1] != 1:
            self._refuse(f"the group '{self.names[-1]}', which is repeated and so would be several,", begun)
        if _may_be_empty(tree):
            self._refuse("a repeat of what may be nothing", begun)
        lazy = self._ahead() == "?"
        self._at += lazy
        if self._ahead() == "+":
            self._refuse("a repeat that gives nothing back", self._at)
        return _Repeat(tree, *times, greedy=not lazy)

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

    def _atom(self) -> _Tree:
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

    def _escaped(self, begun: int) -> _Tree:
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
            self._refuse(f"\\{sign}: each line is searched by itself, so an end of line", begun)
        if sign.isalnum() and sign not in "tfva":
            self._refuse(f"\\{sign}", begun)
        return One(f"\\{sign}", self._flags)

    def _group(self, begun: int) -> _Tree:
        name = ""
        if found := _NAMED.match(self._text, self._at):
            name = found[1]
            self.names.append(name)
            self._at = found.end()
        elif self._text.startswith("?:", self._at):
            self._at += 2
        elif self._ahead() == "?":
            self._refuse(f"{self._text[begun : begun + 4]}...", begun)
        inner = self._alternatives()
        self._at += 1  # its closing parenthesis
        return _Group(name, inner) if name else inner


def _may_be_empty(tree: _Tree) -> bool:
    match tree:
        case One():
            return False
        case Place():
            return True
        case _All():
            return all(_may_be_empty(each) for each in tree.parts)
        case _Any():
            return any(_may_be_empty(each) for each in tree.parts)
        case _Repeat():
            return tree.least == 0 or _may_be_empty(tree.of)
        case _Group():
            return _may_be_empty(tree.of)


class _Made:
    """A program in the making."""

    def __init__(self, names: list[str], text: str) -> None:
        self.steps: list[Instruction] = []
        self._names, self._text = names, text

    def add(self, step: Instruction) -> int:
        self.steps.append(step)
        if len(self.steps) > MOST_STEPS:
            message = f"it is too large: more than {MOST_STEPS} steps"
            raise NotationError(message, text=self._text, what_to_do="Let it repeat less, or without a number.")
        return len(self.steps) - 1

    def build(self, tree: _Tree) -> None:
        match tree:
            case One() | Place():
                self.add(tree)
            case _All():
                for each in tree.parts:
                    self.build(each)
            case _Any():
                self._choice(tree)
            case _Group():
                slot = 2 + 2 * self._names.index(tree.name)
                self.add(Save(slot))
                self.build(tree.of)
                self.add(Save(slot + 1))
            case _Repeat():
                for _ in range(tree.least):
                    self.build(tree.of)
                if tree.most is None:
                    self._endless(tree)
                else:
                    self._maybe(tree, tree.most - tree.least)

    def _choice(self, tree: _Any) -> None:
        fork = self.add(Fork(()))
        begins, ends = [], []
        for each in tree.parts:
            begins.append(len(self.steps))
            self.build(each)
            ends.append(self.add(Fork(())))
        self.steps[fork] = Fork(tuple(begins))
        for end in ends:
            self.steps[end] = Fork((len(self.steps),))

    def _endless(self, tree: _Repeat) -> None:
        fork = self.add(Fork(()))
        self.build(tree.of)
        self.add(Fork((fork,)))
        self.steps[fork] = Fork(_ordered((fork + 1, len(self.steps)), greedy=tree.greedy))

    def _maybe(self, tree: _Repeat, times: int) -> None:
        forks = []
        for _ in range(times):
            forks.append(self.add(Fork(())))
            self.build(tree.of)
        for fork in forks:
            self.steps[fork] = Fork(_ordered((fork + 1, len(self.steps)), greedy=tree.greedy))


def _ordered(ways: tuple[int, int], *, greedy: bool) -> tuple[int, ...]:
    return ways if greedy else ways[::-1]


def first_characters(program: Program) -> Iterator[One] | None:
    """Return the classes one of which the first character must be of; None where it depends on the place as well."""
    reached, left, found = {0}, [0], list[One]()
    while left:
        at = left.pop()
        match program.steps[at]:
            case One() as one:
                found.append(one)
                continue
            case Fork(ways=ways):
                following = ways
            case Save():
                following = (at + 1,)
            case _:
                return None
        left += [each for each in following if each not in reached]
        reached.update(following)
    return iter(found)
