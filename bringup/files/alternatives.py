"""Shapes of fields where one of two things may stand: a word or a mapping, a word or an amount."""

from __future__ import annotations

from typing import Any

from bringup.core.frozen import frozen
from bringup.files.nodes import Node, Problems, Scalar
from bringup.files.shapes import WRONG, Schema, Shape
from bringup.files.wording import joined, nearest, shorten


@frozen
class Either:
    """One shape where a single text stands, another one where a mapping or list stands."""

    text: Shape
    other: Shape

    def read(self, node: Node, problems: Problems) -> Any:
        """Read by what stands there."""
        return (self.text if isinstance(node, Scalar) else self.other).read(node, problems)

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return both."""
        return {"anyOf": [self.text.schema(definitions), self.other.schema(definitions)]}

    def words(self) -> str:
        """Return both."""
        return f"{self.text.words()}, or {self.other.words()}"


@frozen
class AnyOf:
    """Words or amounts in one place: fixed words first, then whatever `other` reads."""

    fixed: tuple[str, ...]
    other: Shape

    def read(self, node: Node, problems: Problems) -> Any:
        """Return the word or the other's value."""
        if isinstance(node, Scalar) and node.text in self.fixed:
            return node.text
        if isinstance(node, Scalar) and node.text.strip() and not any(one.isdigit() for one in node.text):
            close = nearest(node.text, self.fixed)
            said = f"'{shorten(node.text)}' is not {self.words()}".replace("`", "")
            problems.add(node, said, close if close.startswith("did") else "")
            return WRONG
        return self.other.read(node, problems)

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return both."""
        return {"anyOf": [{"enum": list(self.fixed)}, self.other.schema(definitions)]}

    def words(self) -> str:
        """Return the words and the other."""
        return joined([*(f"`{word}`" for word in self.fixed), self.other.words()])
