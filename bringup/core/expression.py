r"""Regular expressions that can be searched for without ever going back: read from text, made into a small program.

Python's own engine tries every way through a pattern, which on a text that nobody chose can take for ever, and cannot
be stopped meanwhile. Here every character is looked at once (search.py), so only what permits that is read: literals,
classes, `.`, groups, `|`, repeats, `^`, `$` and `\b`, with Python's meaning. The rest is refused with words. Pure.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator

from bringup.core.expression_tree import Either, Group, One, Place, Reader, Repeat, Row, Tree, may_be_empty
from bringup.core.frozen import frozen
from bringup.errors import NotationError

MOST_STEPS = 2000
"""Size of a program: what a repeat such as `{50}` multiplies counts that often."""
LINE_ENDS = "\r\n"


@frozen
class Save:
    """Note the place: 0 and 1 for the whole, then two for each named group."""

    slot: int


@frozen
class Fork:
    """Go on at each of these steps, the first one preferred."""

    ways: tuple[int, ...]


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
    reader = Reader(text)
    tree = reader.whole()
    if may_be_empty(tree):
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

    def build(self, tree: Tree) -> None:
        match tree:
            case One() | Place():
                self.add(tree)
            case Row():
                for each in tree.parts:
                    self.build(each)
            case Either():
                self._choice(tree)
            case Group():
                slot = 2 + 2 * self._names.index(tree.name)
                self.add(Save(slot))
                self.build(tree.of)
                self.add(Save(slot + 1))
            case Repeat():
                for _ in range(tree.least):
                    self.build(tree.of)
                if tree.most is None:
                    self._endless(tree)
                else:
                    self._maybe(tree, tree.most - tree.least)

    def _choice(self, tree: Either) -> None:
        fork = self.add(Fork(()))
        begins, ends = [], []
        for each in tree.parts:
            begins.append(len(self.steps))
            self.build(each)
            ends.append(self.add(Fork(())))
        self.steps[fork] = Fork(tuple(begins))
        for end in ends:
            self.steps[end] = Fork((len(self.steps),))

    def _endless(self, tree: Repeat) -> None:
        fork = self.add(Fork(()))
        self.build(tree.of)
        self.add(Fork((fork,)))
        self.steps[fork] = Fork(_ordered((fork + 1, len(self.steps)), greedy=tree.greedy))

    def _maybe(self, tree: Repeat, times: int) -> None:
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
