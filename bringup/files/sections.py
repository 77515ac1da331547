"""Shapes that hold other shapes: lists, mappings by name, and sections made of fields.

A section is a mapping whose keys are a closed list of Fields. One list of fields makes its reader (here), its JSON
Schema (here) and its documentation (field_docs.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from bringup.core.frozen import frozen
from bringup.files.nodes import Listing, Node, Pairs, Problems, Scalar
from bringup.files.shapes import WRONG, Entry, Schema, Shape, Text
from bringup.files.wording import kind_words, nearest

_NAME = Text(name=True)

TO_BE_STATED = "TO BE STATED"
"""What stands in a file of which we wrote the beginning, in the place of what only a person knows."""


@frozen
class Field:
    """One key of a section: its name, what it holds, one line of documentation."""

    name: str
    holds: Shape
    doc: str
    required: bool = False
    default: str = ""
    """What is taken where it is not written, in words."""
    example: str = ""
    """As it would be written in a file (YAML)."""


class Values:
    """What was read of one section: values by field name, with their places. Wrong fields are not in it."""

    def __init__(self, name: str, node: Node, entries: Mapping[str, Entry], wrong: frozenset[str]) -> None:
        self.section = name
        self.node = node
        self.entries = entries
        self.wrong = wrong
        """Fields that were written but could not be read."""

    def __contains__(self, name: str) -> bool:
        return name in self.entries

    def get(self, name: str, default: Any = None) -> Any:
        """Return the field's value: plain for single values, a list or dict of plain values for others."""
        entry = self.entries.get(name)
        return default if entry is None else plain(entry.value)

    def many(self, name: str) -> list[Entry]:
        """Return the entries of a field that holds several (a list, or a mapping by name); none if absent."""
        entry = self.entries.get(name)
        if entry is None:
            return []
        return list(entry.value.values()) if isinstance(entry.value, dict) else list(entry.value)

    def sections(self, name: str) -> Iterator[tuple[str, Values]]:
        """Yield (name, Values) of a field that is a mapping of sections by name."""
        for entry in self.many(name):
            if isinstance(entry.value, Values) and entry.key is not None:
                yield entry.key.text, entry.value

    def section_in(self, name: str) -> Values | None:
        """Return the Values of a field that is a section itself."""
        entry = self.entries.get(name)
        return entry.value if entry is not None and isinstance(entry.value, Values) else None

    def at(self, name: str) -> Node:
        """Return where to point for that field: its value, else the section itself."""
        entry = self.entries.get(name)
        return self.node if entry is None else entry.at


def plain(value: Any) -> Any:
    """Return a value without the places of its parts."""
    if isinstance(value, list):
        return tuple(plain(entry.value) for entry in value)
    if isinstance(value, dict):
        return {name: plain(entry.value) for name, entry in value.items()}
    return value


@frozen
class Several:
    """A list of one or more. `one_too`: a single one may stand without the list. `most`: how many at most."""

    of: Shape
    one_too: bool = True

    def read(self, node: Node, problems: Problems) -> Any:
        """Return a list of Entries."""
        if not isinstance(node, Listing):
            if not self.one_too or (isinstance(node, Scalar) and node.empty):
                problems.add(node, f"found {kind_words(node)}, expected {self.words()}")
                return WRONG
            value = self.of.read(node, problems)
            return WRONG if value is WRONG else [Entry(None, node, value)]
        if not node.items:
            problems.add(node, "the list is empty", f"expected {self.words()}")
            return WRONG
        values = [(item, self.of.read(item, problems)) for item in node.items]
        return [Entry(None, item, value) for item, value in values if value is not WRONG]

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return an array, or also a single one."""
        inner = self.of.schema(definitions)
        array: Schema = {"type": "array", "minItems": 1, "items": inner}
        return {"anyOf": [array, inner]} if self.one_too else array

    def words(self) -> str:
        """Return 'a list of ...'."""
        return f"{self.of.words()}, or a list of them" if self.one_too else f"a list, each entry {self.of.words()}"


@frozen
class ByName:
    """A mapping whose keys are names that the person chooses (or, with `names`, one of these)."""

    of: Shape
    what: str
    """What a key names, such as 'rail'."""
    names: tuple[str, ...] = ()

    def read(self, node: Node, problems: Problems) -> Any:
        """Return a dict of Entries by name."""
        if not isinstance(node, Pairs):
            problems.add(node, f"found {kind_words(node)}, expected {self.words()}")
            return WRONG
        if not node.pairs:
            problems.add(node, f"no {self.what} is named here")
            return WRONG
        found: dict[str, Entry] = {}
        for key, inner in node.pairs:
            if self.names and key.text not in self.names:
                problems.add(key, f"no {self.what} is called '{key.text}'", nearest(key.text, self.names))
                continue
            name = _NAME.read(key, problems)
            value = self.of.read(inner, problems)
            if name is not WRONG and value is not WRONG:
                found[key.text] = Entry(key, inner, value)
        return found

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Return an object with any keys, or with the known ones."""
        inner = self.of.schema(definitions)
        if self.names:
            return {"type": "object", "properties": dict.fromkeys(self.names, inner), "additionalProperties": False}
        return {"type": "object", "minProperties": 1, "additionalProperties": inner}

    def words(self) -> str:
        """Return 'a mapping: ...'."""
        if isinstance(self.of, Section):
            return f"a mapping of {self.what.removesuffix('y') + 'ie' if self.what[-1] == 'y' else self.what}s by name"
        return f"a mapping from {self.what} to {self.of.words()}"


@frozen
class Section:
    """A mapping whose keys are these fields. `short`: the field that a bare text or list fills."""

    name: str
    doc: str
    fields: tuple[Field, ...]
    short: str = ""
    may_be_empty: bool = False
    """Whether the key may stand with nothing after it."""
    alone: bool = False
    """Exactly one of the fields must stand."""
    more: str = ""
    """What its documentation says behind the table of its fields."""

    def read(self, node: Node, problems: Problems) -> Any:
        """Return Values, or WRONG where it is no mapping at all."""
        if isinstance(node, Scalar) and node.empty and self.may_be_empty:
            return Values(self.name, node, {}, frozenset())
        if self.short and not isinstance(node, Pairs) and not (isinstance(node, Scalar) and node.empty):
            value = self._field(self.short).holds.read(node, problems)
            entries = {self.short: Entry(None, node, value)}
            return WRONG if value is WRONG else Values(self.name, node, entries, frozenset())
        if not isinstance(node, Pairs):
            problems.add(node, f"found {kind_words(node)}, expected {self.words()}", self._meant(node))
            return WRONG
        entries = {}
        wrong = set()
        known = {one.name: one for one in self.fields}
        for key, inner in node.pairs:
            one = known.get(key.text)
            if one is None:
                self._unknown(key, problems)
                wrong.add(key.text)
                continue
            if isinstance(inner, Scalar) and inner.empty and not _may_be_empty(one.holds):
                problems.add(key, f"'{key.text}' has no value")
                wrong.add(key.text)
                continue
            value = self._read_field(one, inner, problems)
            if value is WRONG:
                wrong.add(key.text)
            else:
                entries[key.text] = Entry(key, inner, value)
        self._check_complete(node, entries, wrong, problems)
        return Values(self.name, node, entries, frozenset(wrong))

    @staticmethod
    def _read_field(one: Field, node: Node, problems: Problems) -> Any:
        if isinstance(node, Scalar) and node.text == TO_BE_STATED:
            problems.add(node, f"'{one.name}' is still to be stated: {one.doc}", f"such as {one.example}")
            return WRONG
        return one.holds.read(node, problems)

    def _check_complete(self, node: Node, entries: dict[str, Entry], wrong: set[str], problems: Problems) -> None:
        for one in self.fields:
            if one.required and one.name not in entries and one.name not in wrong:
                example = f"such as {one.name}: {one.example}" if one.example else ""
                problems.add(node, f"the {self.name} needs '{one.name}' ({one.doc})", example)
        count = len(entries) + sum(not self._belongs_inside(name) for name in wrong)
        if self.alone and count != 1:
            problems.add(node, f"the {self.name} holds {count} keys where exactly one is due")

    def _belongs_inside(self, name: str) -> bool:
        """Whether it is a key of what stands alone here, not one beside it."""
        inner = (one.holds for one in self.fields if isinstance(one.holds, Section)) if self.alone else ()
        return any(name == one.name for holds in inner for one in holds.fields)

    def _unknown(self, key: Scalar, problems: Problems) -> None:
        if key.text[:1].isdigit():
            problems.add(key, f"'{key.text}' stands where a key is due", "a comma ends a value: write 3.3 V, not 3,3 V")
        elif self._belongs_inside(key.text):
            way_out = f"put it inside, such as measure: {{points: [...], {key.text}: ...}}"
            problems.add(key, f"'{key.text}' stands beside what it belongs to", way_out)
        else:
            known = [one.name for one in self.fields]
            problems.add(key, f"unknown key '{key.text}' in the {self.name}", nearest(key.text, known))

    def _field(self, name: str) -> Field:
        return next(one for one in self.fields if one.name == name)

    def _meant(self, node: Node) -> str:
        """Return what to do where no mapping stands: the commonest slip is a key without its colon."""
        known = [one.name for one in self.fields]
        if isinstance(node, Scalar) and node.text in known:
            return f"put a colon after it: `{node.text}:`"
        return "its keys: " + ", ".join(known)

    def schema(self, definitions: dict[str, Schema]) -> Schema:
        """Put an object with these keys into `definitions` and return a reference to it."""
        key = self.name.replace(" ", "_")
        if key not in definitions:
            definitions[key] = {}
            definitions[key] = self._schema(definitions)
        return {"$ref": f"#/$defs/{key}"}

    def _schema(self, definitions: dict[str, Schema]) -> Schema:
        properties = {one.name: one.holds.schema(definitions) | {"description": one.doc} for one in self.fields}
        whole: Schema = {"type": "object", "properties": properties, "additionalProperties": False}
        if required := [one.name for one in self.fields if one.required]:
            whole["required"] = required
        if self.alone:
            whole |= {"minProperties": 1, "maxProperties": 1}
        forms = [whole]
        if self.short:
            forms.append(self._field(self.short).holds.schema(definitions))
        if self.may_be_empty:
            forms.append({"type": "null"})
        return {"description": self.doc} | (whole if len(forms) == 1 else {"anyOf": forms})

    def words(self) -> str:
        """Return its name."""
        return f"{'an' if self.name[0] in 'aeio' else 'a'} {self.name}"


def _may_be_empty(holds: Shape) -> bool:
    return isinstance(holds, Section) and holds.may_be_empty
