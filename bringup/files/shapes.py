"""What a field may hold: each shape reads a node, describes itself in words, and is a piece of JSON Schema.

A shape never raises for what a person wrote: it reports to Problems and returns WRONG, so that one reading finds
everything. Shapes for single values are here and in amounts.py; those made of fields are in sections.py.
"""

from __future__ import annotations

import re
import warnings
from datetime import date
from typing import Any, Final, Protocol

from bringup.core.frozen import frozen
from bringup.files.nodes import Node, Problems, Scalar
from bringup.files.wording import kind_words, nearest, shorten, trade_word

Schema = dict[str, Any]

LONGEST_NAME = 60


class _Wrong:
    """The value of a field that could not be read. What is wrong has been reported."""

    def __repr__(self) -> str:
        return "WRONG"


WRONG: Final = _Wrong()


class Shape(Protocol):
    """What a field holds."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return the value, or WRONG after reporting why."""

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return JSON Schema for the value; sections put theirs into `definitions`."""

    def words(self) -> str:
        """Return what it holds, for people."""


@frozen
class Entry:
    """One value with the places of its key (its own place, in a list) and of itself."""

    key: Scalar | None
    node: Node
    value: Any

    @property
    def at(self) -> Node:
        """Where to point: at the value, or at the key where nothing was written."""
        return self.key if self.key is not None and isinstance(self.node, Scalar) and self.node.empty else self.node


def scalar(node: Node, wanted: str, problems: Problems, *, blank: bool = False) -> Scalar | None:
    """Return the node if it is a text with something in it (or only blanks, where those count); report otherwise."""
    if isinstance(node, Scalar) and not node.empty and (blank or node.text.strip()):
        return node
    problems.add(node, f"found {kind_words(node)}, expected {wanted}".replace("`", ""))
    return None


def _is_name(text: str) -> bool:
    return len(text) <= LONGEST_NAME and text.isprintable() and text == text.strip()


@frozen
class Text:
    """Any text, taken as typed. `name`: one that others refer to, so short and on one line. `blank`: blanks count."""

    name: bool = False
    blank: bool = False

    def read(self, node: Node, problems: Problems) -> Any:
        """Return the text."""
        text = scalar(node, self.words(), problems, blank=self.blank)
        if text is None:
            return WRONG
        if self.name and not _is_name(text.text):
            problems.add(text, f"a name is one line of at most {LONGEST_NAME} characters, without blanks at its ends")
            return WRONG
        return text.text

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Numbers and truth values too: what YAML takes for one is still the text that was typed."""
        del definitions
        return {"type": ["string", "number", "boolean"]}

    def words(self) -> str:
        """Return 'a name' or 'text'."""
        return "a name" if self.name else "text"


@frozen
class OneOf:
    """One of a few words."""

    choices: tuple[str, ...]

    def read(self, node: Node, problems: Problems) -> Any:
        """Return the word."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        if text.text not in self.choices:
            known = f"one of {', '.join(self.choices)}" if len(self.choices) > 1 else f"'{self.choices[0]}'"
            message = f"'{shorten(text.text)}' is not {known}"
            close = trade_word(text.text, self.choices) or nearest(text.text, self.choices)
            problems.add(text, message, "" if close.startswith("known") else close)
            return WRONG
        return text.text

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return an enumeration; a word that YAML takes for a number stands as one too."""
        del definitions
        numbers = [float(word) for word in self.choices if re.fullmatch(r"[0-9]+(\.[0-9]+)?", word)]
        return {"enum": [*self.choices, *(int(each) if each.is_integer() else each for each in numbers)]}

    def words(self) -> str:
        """Return the words."""
        return " or ".join(f"`{choice}`" for choice in self.choices)


@frozen
class YesNo:
    """Yes or no, also spelt true and false."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return a bool."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        known = {"yes": True, "true": True, "no": False, "false": False}
        if text.text.lower() not in known:
            problems.add(text, f"'{shorten(text.text)}' is neither yes nor no")
            return WRONG
        return known[text.text.lower()]

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """YAML 1.2 reads yes as a text, true as a truth value; both are ours."""
        del definitions
        return {"enum": ["yes", "no", True, False]}

    def words(self) -> str:
        """Return 'yes or no'."""
        return "`yes` or `no`"


@frozen
class Whole:
    """A whole number without unit."""

    least: int = 0
    most: int = 1_000_000

    def read(self, node: Node, problems: Problems) -> Any:
        """Return an int."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        if not re.fullmatch(r"[+-]?[0-9]{1,9}", text.text) or not self.least <= int(text.text) <= self.most:
            problems.add(text, f"'{shorten(text.text)}' is not {self.words()}")
            return WRONG
        return int(text.text)

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return an integer type."""
        del definitions
        return {"type": "integer", "minimum": self.least, "maximum": self.most}

    def words(self) -> str:
        """Return what is permitted."""
        return f"a whole number from {self.least}"


@frozen
class Number:
    """A plain number without unit, not negative."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return a float."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        if not re.fullmatch(r"[0-9]{1,9}(\.[0-9]{1,9})?([eE][+-]?[0-9]{1,2})?", text.text):
            problems.add(text, f"'{shorten(text.text)}' is not {self.words()}", "with a decimal point, without unit")
            return WRONG
        return float(text.text)

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a number type."""
        del definitions
        return {"type": "number", "minimum": 0}

    def words(self) -> str:
        """Return what is permitted."""
        return "a number"


@frozen
class Day:
    """A date as ISO 8601 writes it."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return a date."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text.text):
            try:
                return date.fromisoformat(text.text)
            except ValueError as error:
                problems.add(text, f"'{text.text}' is no day of the calendar: {error}")
                return WRONG
        problems.add(text, f"'{shorten(text.text)}' is not a date", "write year-month-day, such as 2027-03-01")
        return WRONG

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a date string."""
        del definitions
        return {"type": "string", "format": "date", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"}

    def words(self) -> str:
        """Return how it is written."""
        return "a date, year-month-day"


def fault_of_pattern(text: str) -> tuple[str, int] | None:
    """Return what is wrong with a regular expression, and where (characters); None if it is one.

    What a later Python will read otherwise than this one does (`[--[`) is refused with the words of its warning.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            re.compile(text)
    except (FutureWarning, DeprecationWarning) as doubt:
        return f"this regular expression may not mean what it seems to: {doubt}", 0
    except (re.error, OverflowError, RecursionError) as error:
        return f"not a regular expression: {error}", getattr(error, "pos", 0) or 0
    return None


@frozen
class Pattern:
    """A regular expression. `something`: one that matches no empty text. `groups`: how many groups it has to have."""

    something: bool = False
    groups: int | None = None

    def read(self, node: Node, problems: Problems) -> Any:
        """Return the expression as text."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        if fault := fault_of_pattern(text.text):
            problems.add(text, fault[0], offset=fault[1])
            return WRONG
        compiled = re.compile(text.text)
        if self.something and compiled.fullmatch(""):
            problems.add(text, "this regular expression also matches nothing at all", "let it ask for something")
            return WRONG
        if self.groups is not None and compiled.groups != self.groups:
            message = f"this regular expression has {compiled.groups} groups, it needs {self.groups}"
            problems.add(text, message, "put what counts in parentheses; (?:...) groups without counting")
            return WRONG
        return text.text

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a string type."""
        del definitions
        return {"type": "string", "format": "regex"}

    def words(self) -> str:
        """Return what it is."""
        return "a regular expression"


@frozen
class Fixed:
    """One fixed word that stands where something else could, such as `by hand`."""

    word: str

    def read(self, node: Node, problems: Problems) -> Any:
        """Return the word."""
        return OneOf((self.word,)).read(node, problems)

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a constant."""
        del definitions
        return {"const": self.word}

    def words(self) -> str:
        """Return the word."""
        return f"`{self.word}`"
