"""Dialect files: YAML to a Dialect of the core, and where a dialect of a name is found."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

from bringup.core.dialect import Dialect, Operation, Variant
from bringup.core.replies import ReplyKind
from bringup.errors import BenchError, FileError
from bringup.files.dialect_checks import check_dialect, port_settings
from bringup.files.dialect_fields import DIALECT_FILE
from bringup.files.nodes import in_order
from bringup.files.sections import Values
from bringup.files.source import Opened, kind_of, open_file, open_text
from bringup.files.wording import nearest

SHIPPED = Path(__file__).parent.parent / "instruments" / "dialects"
"""Where the dialects that ship are."""


def load_dialect(path: str | Path) -> Dialect:
    """Read a dialect file. Raises FileError with everything that is wrong with it."""
    return _read_or_raise(open_file(Path(path)))


def find_dialect(name: str, beside: str | Path) -> Dialect:
    """Return the dialect of that name: a file beside the bench file `beside` first, then one that ships.

    Raises BenchError where there is none, FileError where its file is wrong.
    """
    own = own_file(name, Path(beside))
    if own is not None:
        return load_dialect(own)
    shipped = shipped_names()
    if name not in shipped:
        raise BenchError(
            f"no dialect is called '{name}'", f"{nearest(name, shipped)} Or put {name}.yaml beside {beside}."
        )
    return _read_or_raise(open_text(Path(f"{name}.yaml"), shipped_text(name)))


def own_file(name: str, beside: Path) -> Path | None:
    """Return the user's own file of that dialect beside the bench file, None if there is none."""
    if re.search(r"[/\\:]|^\.", name):
        return None  # a name, not a path
    folder = beside if beside.is_dir() else beside.parent
    own = folder / f"{name}.yaml"
    return own if own.is_file() else None


def shipped_names() -> list[str]:
    """Return the names of the dialects that ship: where one is looked up, the others need not be read."""
    with os.scandir(SHIPPED) as found:
        return sorted(each.name.removesuffix(".yaml") for each in found if each.name.endswith(".yaml"))


def shipped_text(name: str) -> str:
    """Return the text of one of them."""
    return (SHIPPED / f"{name}.yaml").read_text(encoding="utf-8")


def shipped_dialects() -> dict[str, str]:
    """Return the texts of the dialects that ship, by name."""
    return {name: shipped_text(name) for name in shipped_names()}


def known_dialects(beside: str | Path, role: str = "") -> list[Dialect]:
    """Return every dialect for a role ('': any): those that ship and sound files of one's own, which go before them."""
    folder = Path(beside) if Path(beside).is_dir() else Path(beside).parent
    found = {name: _read_or_raise(open_text(Path(f"{name}.yaml"), text)) for name, text in shipped_dialects().items()}
    for own in sorted(folder.glob("*.yaml")):
        try:
            opened = open_file(own)
        except FileError:
            continue  # whatever it is, no bench file can name it as a dialect
        if kind_of(opened.root) == "dialect" and (dialect := read_dialect(opened)) is not None:
            found[dialect.name] = dialect
    return [dialect for dialect in found.values() if role in ("", dialect.role)]


def read_dialect(opened: Opened) -> Dialect | None:
    """Read an opened dialect file; None if anything is wrong (see its problems)."""
    values = DIALECT_FILE.read(opened.root, opened.problems) if opened.root is not None else None
    if not isinstance(values, Values):
        return None
    check_dialect(values, opened.problems)
    name = values.get("dialect")
    if name is not None and name != opened.path.stem:
        message = f"the dialect is called '{name}', its file '{opened.path.name}'"
        opened.problems.add(values.at("dialect"), message, "a bench file finds it by the name of its file")
    return None if opened.problems.found else _build(values, str(opened.path))


def _read_or_raise(opened: Opened) -> Dialect:
    dialect = read_dialect(opened)
    if dialect is None:
        raise FileError(in_order(opened.problems.found))
    return dialect


_AS_READ = (
    "checked_against",
    "identity_pattern",
    "write_end",
    "read_end",
    "acknowledge",
    "acknowledge_scope",
    "echo",
    "prompt",
    "greeting",
    "opening",
    "closing",
    "over_range_from",
    "over_range_words",
    "configure_presets",
    "one_at_a_time",
    "divisions",
    "watchdog_scope",
)
_OF_A_MODEL = ("outputs", "output_scope", "clear_re_energises")
"""Fields that a variant may change."""


def _build(values: Values, path: str) -> Dialect:
    facts = {name: values.get(name) for name in (*_AS_READ, *_OF_A_MODEL) if name in values}
    for name in ("gap", "timeout", "quiet", "settling"):
        if name in values:
            facts[name] = values.get(name).number
    return Dialect(
        name=values.get("dialect"),
        role=values.get("role"),
        operations={name: _operation(one) for name, one in values.sections("operations")},
        functions=values.get("functions", {}),
        modes=values.get("modes", {}),
        ranges={
            entry.key.text: tuple(one.value.number for one in entry.value)
            for entry in values.many("ranges")
            if entry.key is not None
        },
        range_words=values.get("range_words", {}),
        speeds={one.key.text: one.value.number for one in values.many("speeds") if one.key is not None},
        port=port_settings(values),
        output_names=_output_names(values),
        variants=tuple(_variant(pattern, one) for pattern, one in values.sections("variants")),
        path=path,
        **facts,
    )


def _output_names(values: Values) -> dict[int, str]:
    return {int(number): name for number, name in values.get("output_names", {}).items()}


def _variant(pattern: str, values: Values) -> Variant:
    facts: dict[str, Any] = {name: values.get(name) for name in _OF_A_MODEL if name in values}
    operations: dict[str, Operation | None] = {name: _operation(one) for name, one in values.sections("operations")}
    gone = [name for name, value in values.get("operations", {}).items() if value == "none"]
    return Variant(
        pattern,
        operations | dict.fromkeys(gone),
        output_names=_output_names(values) if "output_names" in values else None,
        **facts,
    )


def _operation(values: Values) -> Operation:
    gap = values.get("gap")
    return Operation(
        send=values.get("send", ()),
        query=values.get("query", ""),
        reply=ReplyKind(values.get("reply", ReplyKind.NUMBER)),
        words=values.get("words", {}),
        otherwise=values.get("else", ""),
        spelt=values.get("spelt", {}),
        field=values.get("field", 0),
        unit=values.get("unit", ""),
        pattern=values.get("pattern", ""),
        gap=0.0 if gap is None else gap.number,
        functions=values.get("functions", ()),
        modes=values.get("modes", ()),
        discard=values.get("discard", 0),
        ignore_errors=values.get("ignore_errors", ()),
        clears_when_read=values.get("clears_when_read", False),
        clears_trips=values.get("clears_trips", False),
        checked_against=values.get("checked_against", ""),
    )
