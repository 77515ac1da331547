"""Dialect files: YAML to a Dialect of the core, and where a dialect of a name is found."""

from __future__ import annotations

import re
from pathlib import Path

from bringup.core.dialect import PLACEHOLDERS, Dialect, Operation
from bringup.core.replies import ReplyKind
from bringup.errors import BenchError, FileError
from bringup.files.bench_fields import DIALECT_FILE, NEEDED_OPERATIONS, OPERATIONS
from bringup.files.nodes import Problems, in_order
from bringup.files.sections import Values
from bringup.files.source import Opened, open_file, open_text
from bringup.files.wording import nearest

SHIPPED = Path(__file__).parent.parent / "instruments" / "dialects"
"""Where the dialects that ship are."""
UNIT_OF_FUNCTION = {"dc volts": "V", "dc amps": "A", "ohms": "ohm"}


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
    shipped = shipped_dialects()
    if name not in shipped:
        raise BenchError(
            f"no dialect is called '{name}'", f"{nearest(name, shipped)} Or put {name}.yaml beside {beside}."
        )
    return _read_or_raise(open_text(Path(f"{name}.yaml"), shipped[name]))


def own_file(name: str, beside: Path) -> Path | None:
    """Return the user's own file of that dialect beside the bench file, None if there is none."""
    if re.search(r"[/\\:]|^\.", name):
        return None  # a name, not a path
    folder = beside if beside.is_dir() else beside.parent
    own = folder / f"{name}.yaml"
    return own if own.is_file() else None


def shipped_dialects() -> dict[str, str]:
    """Return the texts of the dialects that ship, by name."""
    return {one.stem: one.read_text(encoding="utf-8") for one in sorted(SHIPPED.glob("*.yaml"))}


def read_dialect(opened: Opened) -> Dialect | None:
    """Read an opened dialect file; None if anything is wrong (see its problems)."""
    values = DIALECT_FILE.read(opened.root, opened.problems) if opened.root is not None else None
    if not isinstance(values, Values):
        return None
    _check(values, opened.problems)
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


def _check(values: Values, problems: Problems) -> None:
    role = values.get("role")
    if role is not None:
        for entry in values.many("operations"):
            if entry.key is not None and entry.key.text not in OPERATIONS[role]:
                message = f"a {role} has no operation '{entry.key.text}'"
                problems.add(entry.key, message, nearest(entry.key.text, OPERATIONS[role]))
        written = values.get("operations", {})
        for name in NEEDED_OPERATIONS[role]:
            if "operations" in values and name not in written and not values.wrong:
                problems.add(values.at("operations"), f"a {role} cannot do without the operation '{name}'")
        for field in ("functions", "ranges"):
            if role == "supply" and field in values:
                problems.add(values.at(field), f"'{field}' belongs to meters")
    for _, operation in values.sections("operations"):
        _check_operation(operation, problems)
    _check_ranges(values, problems)
    _check_watchdog(values, problems)


def _check_watchdog(values: Values, problems: Problems) -> None:
    """A communication watchdog that could not be switched off again would switch off whatever comes later."""
    written = {entry.key.text: entry for entry in values.many("operations") if entry.key is not None}
    state = written.get("watchdog_state")
    for name in ("set_watchdog", "refresh_watchdog", "tripped_watchdog"):
        if name in written and state is None and "watchdog_state" not in values.wrong:
            node = written[name].key
            assert node is not None
            problems.add(node, f"'{name}' without 'watchdog_state': nothing arms it or switches it off again")
    for name in ("watchdog_state", "set_watchdog", "refresh_watchdog"):
        entry = written.get(name)
        if entry is not None and isinstance(entry.value, Values) and "send" not in entry.value.entries:
            problems.add(entry.at, f"'{name}' needs `send`: it is something to tell the supply")


def _check_operation(operation: Values, problems: Problems) -> None:
    if not {"send", "query"} & (set(operation.entries) | operation.wrong):
        problems.add(operation.node, "an operation needs `send`, `query` or both")
    if "reply" in operation and "query" not in operation and "query" not in operation.wrong:
        problems.add(operation.at("reply"), "a reply without a `query` to ask for it")
    texts = [(entry.node, entry.value) for entry in operation.many("send")]
    if (query := operation.entries.get("query")) is not None:
        texts.append((query.node, query.value))
        if "?" not in query.value:
            problems.add(query.node, f"'{query.value}' is no query: it holds no question mark")
    for node, text in texts:
        for word in re.findall(r"\{([^{}]*)\}", text):
            if word not in PLACEHOLDERS:
                problems.add(node, f"nothing is called {{{word}}}", nearest(word, PLACEHOLDERS))
        if re.sub(r"\{[^{}]*\}", "", text).count("{") or re.sub(r"\{[^{}]*\}", "", text).count("}"):
            problems.add(node, "a brace without its partner")


def _check_ranges(values: Values, problems: Problems) -> None:
    for entry in values.many("ranges"):
        function = entry.key.text if entry.key is not None else ""
        unit, last = UNIT_OF_FUNCTION[function], None
        for one in entry.value:
            if one.value.unit != unit:
                problems.add(one.node, f"{one.value.text} is no range of {function}")
            if last is not None and one.value.value <= last:
                problems.add(one.node, "ranges stand in ascending order")
            last = one.value.value


_AS_READ = (
    "checked_against",
    "identity_pattern",
    "write_end",
    "read_end",
    "output_scope",
    "watchdog_scope",
    "clear_re_energises",
)


def _build(values: Values, path: str) -> Dialect:
    facts = {}
    for name in _AS_READ:
        if name in values:
            facts[name] = values.get(name)
    for name in ("gap", "timeout"):
        if name in values:
            facts[name] = values.get(name).number
    if "over_range_from" in values:
        facts["over_range_from"] = values.get("over_range_from")
    return Dialect(
        name=values.get("dialect"),
        role=values.get("role"),
        operations={name: _operation(one) for name, one in values.sections("operations")},
        functions=values.get("functions", {}),
        ranges={
            entry.key.text: tuple(one.value.number for one in entry.value)
            for entry in values.many("ranges")
            if entry.key is not None
        },
        path=path,
        **facts,
    )


def _operation(values: Values) -> Operation:
    return Operation(
        send=values.get("send", ()),
        query=values.get("query", ""),
        reply=ReplyKind(values.get("reply", ReplyKind.NUMBER)),
        words=values.get("words", {}),
        field=values.get("field", 0),
    )
