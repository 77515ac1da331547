"""Shapes of fields about serial lines: expressions for text that comes bit by bit, numbers of USB devices."""

from __future__ import annotations

import re
from typing import Any

from bringup.core.frozen import frozen
from bringup.errors import NotationError
from bringup.files.nodes import Node, Problems
from bringup.files.shapes import WRONG, Schema, scalar


@frozen
class Searched:
    """A regular expression that can be searched for without ever going back."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return the expression as text."""
        text = scalar(node, self.words(), problems, blank=True)
        if text is None:
            return WRONG
        from bringup.core.expression import expression  # few procedures have one

        try:
            expression(text.text)
        except NotationError as error:
            problems.add(text, error.message, error.what_to_do, offset=error.offset)
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
class Hexadecimal:
    """A number of four hexadecimal digits, as USB counts vendors and products."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return an int."""
        text = scalar(node, self.words(), problems)
        if text is None:
            return WRONG
        if not re.fullmatch("(0x)?[0-9A-Fa-f]{4}", text.text):
            problems.add(text, f"'{text.text}' is not {self.words()}", "such as 0x1234")
            return WRONG
        return int(text.text, 16)

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return a string, or the number as YAML takes it."""
        del definitions
        return {"type": ["string", "integer"]}

    def words(self) -> str:
        """Return what it is."""
        return "four hexadecimal digits"
