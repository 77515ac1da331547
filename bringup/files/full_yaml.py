"""YAML text to nodes, whatever stands in it. The only door to ruamel.yaml.

What would let two readers of one file see different things (duplicate keys, tags, anchors, merge keys, a second
document) is reported instead of resolved. `composing.py` asks here for every text that is not plain, and faults of any
text are found and told here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from bringup.files.nodes import DEEPEST, MOST, Listing, Node, Pairs, Problems, Scalar


def compose_any(text: str, problems: Problems) -> Node | None:
    """Return the root node of a YAML text. Faults go to `problems`; None where there is nothing to go on with."""
    tabbed = _tab_in_indentation(text)
    if tabbed is not None:
        problems.add(tabbed, "a tab in the indentation", "YAML indents with spaces only")
        return None
    try:
        return _Composer(problems).document(_events(text))
    except _TooMuch as deep:
        problems.add(deep.at, deep.why)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
        problems.add(place, f"not YAML: {_words(error)}", _hint(problems.source(place[0]), place[1]))
    except YAMLError as error:
        position = min(getattr(error, "position", 0), len(text))
        before = text[:position]
        place = (before.count("\n") + 1, position - (before.rfind("\n") + 1) + 1)
        character = text[position : position + 1]
        problems.add(place, f"a character that YAML does not allow: U+{ord(character or ' '):04X}")
    except (ValueError, OverflowError, AttributeError, IndexError, AssertionError, TypeError) as error:
        # ruamel.yaml lets these through on damaged escapes and directives; they say nothing about where.
        problems.add((1, 1), f"not YAML: {error or type(error).__name__}")
    return None


def _events(text: str) -> Iterator[Event]:
    """Return the parser's events; nothing is resolved or constructed."""
    events: Iterator[Event] = YAML(typ="safe", pure=True).parse(text)
    return events


def _words(error: MarkedYAMLError) -> str:
    """Return ruamel.yaml's two half sentences as one."""
    parts = [str(part).strip() for part in (error.context, error.problem) if part]
    return ", ".join(parts) or "the text breaks off"


def _hint(source: str, column: int) -> str:
    """Return what to do about the commonest slip: a limit that starts with a character YAML keeps for itself."""
    if re.search(r"[:,\[{-]\s*[>|%@`&*!]\S*\s?", source[: column + 1]):
        return "put a text that starts with >, %, @, & or * into quotes: '> 200 Ω'"
    return ""


def _tab_in_indentation(text: str) -> tuple[int, int] | None:
    """Return the place of the first tab before the first visible character of a line that has one."""
    for number, line in enumerate(text.split("\n"), start=1):
        indentation = line[: len(line) - len(line.lstrip(" \t"))]
        content = line.strip()
        if "\t" in indentation and content and not content.startswith("#"):
            return number, indentation.index("\t") + 1
    return None


class _TooMuch(Exception):  # noqa: N818 - never leaves this module
    def __init__(self, at: tuple[int, int], why: str) -> None:
        super().__init__()
        self.at = at
        self.why = why


class _Composer:
    """Turns events into nodes. Their depth and number are bounded, so recursion and time are."""

    def __init__(self, problems: Problems) -> None:
        self._problems = problems
        self._count = 0

    def document(self, events: Iterator[Event]) -> Node | None:
        """Read the one document of the text."""
        root: Node | None = None
        documents = 0
        for event in events:
            if isinstance(event, DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._problems.add(_place(event), "a second document", "one file holds one document")
                    return root
            elif isinstance(event, ScalarEvent | SequenceStartEvent | MappingStartEvent | AliasEvent):
                root = self._node(event, events, 1)
        if root is None or (isinstance(root, Scalar) and root.empty):
            self._problems.add((1, 1), "the file is empty")
            return None
        return root

    def _node(self, event: Event, events: Iterator[Event], depth: int) -> Node:
        place = _place(event)
        self._count += 1
        if depth > DEEPEST:
            raise _TooMuch(place, f"nested deeper than {DEEPEST} levels")
        if self._count > MOST:
            raise _TooMuch(place, f"more than {MOST} values: is this the right file?")
        if isinstance(event, AliasEvent):
            self._problems.add(place, f"an alias (*{event.anchor})", "write the value out: aliases are not used here")
            return Scalar("", *place, reported=True)
        self._refuse_decoration(event, place)
        if isinstance(event, SequenceStartEvent):
            items = []
            while not isinstance(inner := next(events), SequenceEndEvent):
                items.append(self._node(inner, events, depth + 1))
            return Listing(tuple(items), *place)
        if isinstance(event, MappingStartEvent):
            return self._mapping(events, place, depth)
        assert isinstance(event, ScalarEvent)
        return Scalar(str(event.value), *place, plain=event.style is None or event.style == "")

    def _mapping(self, events: Iterator[Event], place: tuple[int, int], depth: int) -> Pairs:
        pairs: dict[str, tuple[Scalar, Node]] = {}
        while not isinstance(inner := next(events), MappingEndEvent):
            key = self._node(inner, events, depth + 1)
            value = self._node(next(events), events, depth + 1)
            if not isinstance(key, Scalar):
                self._problems.add(key, "a list or mapping as a key", "a key is a single text")
            elif key.plain and key.text == "<<":
                self._problems.add(key, "a merge key (<<)", "write the keys out: merging is not used here")
            elif key.text in pairs:
                first = pairs[key.text][0]
                self._problems.add(key, f"the key '{key.text}' stands twice", f"first in line {first.line}")
            else:
                pairs[key.text] = (key, value)
        return Pairs(tuple(pairs.values()), *place)

    def _refuse_decoration(self, event: Any, place: tuple[int, int]) -> None:
        if event.anchor:
            self._problems.add(place, f"an anchor (&{event.anchor})", "anchors and aliases are not used here")
        if tag := _tag(event):
            self._problems.add(place, f"a tag ({tag})", "tags are not used here: the field says what it holds")


def _tag(event: Any) -> str:
    """Return the tag as written, empty if none was."""
    tag = event.ctag if hasattr(event, "ctag") else event.tag
    if tag is None:
        return ""
    written = "".join(part for part in (getattr(tag, "handle", ""), getattr(tag, "suffix", "")) if part)
    return written or str(tag)


def _place(event: Event) -> tuple[int, int]:
    mark = event.start_mark
    return mark.line + 1, mark.column + 1
