"""What must fit together in a dialect file: operations and role, texts and their braces, replies and their words."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from bringup.core.replies import ReplyKind
from bringup.core.serial_port import PortSettings, clash
from bringup.core.spelling import PLACEHOLDERS, is_format
from bringup.core.status_words import is_condition, read_condition
from bringup.errors import NotationError
from bringup.files.dialect_load_checks import check_load
from bringup.files.dialect_meter_checks import check_meter
from bringup.files.dialect_operations import NEEDED_OPERATIONS, OPERATIONS
from bringup.files.nodes import Node, Problems
from bringup.files.sections import Values
from bringup.files.shapes import fault_of_pattern
from bringup.files.wording import nearest

STATUS_WORDS = (ReplyKind.INTEGER, ReplyKind.HEX, ReplyKind.BYTE, ReplyKind.BITS, ReplyKind.BITS_FROM_0)
"""Kinds of reply that have bits."""
FIELDS_OF = {
    **dict.fromkeys(("outputs", "output_names"), ("supply", "load")),
    **dict.fromkeys(
        ("functions", "ranges", "range_words", "speeds", "configure_presets", "over_range_words"), ("meter",)
    ),
    "modes": ("load",),
    **dict.fromkeys(("settling", "one_at_a_time"), ("scanner",)),
    "divisions": ("scope",),
}
"""Fields that not every role has -> the roles that have them."""
_ANY_HOLE = re.compile(r"\{([^{}]*)\}")


def check_dialect(values: Values, problems: Problems) -> None:
    """Report what does not fit together."""
    _check_role(values, problems)
    base = dict(values.sections("operations"))
    named = "output_names" in values
    _check_operations(base, base, problems, named=named)
    for pattern, variant in values.sections("variants"):
        key = next(entry.key for entry in values.many("variants") if entry.key and entry.key.text == pattern)
        if fault := fault_of_pattern(pattern):
            problems.add(key, fault[0])
        own = dict(variant.sections("operations"))
        gone = {name for name, value in variant.get("operations", {}).items() if value == "none"}
        merged = {name: one for name, one in base.items() if name not in gone} | own
        _check_operations(own, merged, problems, named=named or "output_names" in variant)
        _check_names(variant, problems)
    _check_names(values, problems)
    _check_master(values, base, problems)
    _check_ends(values, problems)
    _check_unasked(values, problems)
    check_meter(values, problems)
    check_load(values, problems)
    if values.get("role") == "scanner":
        from bringup.files.dialect_scanner_checks import check_scanner

        check_scanner(values, problems)
    if values.get("role") == "scope":
        from bringup.files.dialect_scope_checks import check_scope

        check_scope(values, problems)
    _check_watchdog(values, problems)
    port = values.section_in("serial_port")
    if port is not None and (line := clash(port_settings(values))):
        message = f"{port.get('flow')} flow control moves {line} by itself: it cannot be held as well"
        problems.add(port.at(line), message, f"leave `{line}` out, or state another `flow`")


def port_settings(values: Values) -> PortSettings:
    """Return what `serial_port` says in a dialect or in a role of a bench."""
    section = values.section_in("serial_port")
    return PortSettings() if section is None else PortSettings(**{name: section.get(name) for name in section.entries})


def _check_role(values: Values, problems: Problems) -> None:
    role = values.get("role")
    if role is None:
        return
    spelt = [values, *(variant for _, variant in values.sections("variants"))]
    for entry in (entry for each in spelt for entry in each.many("operations")):
        if entry.key is not None and entry.key.text not in OPERATIONS[role]:
            message = f"a {role} has no operation '{entry.key.text}'"
            problems.add(entry.key, message, nearest(entry.key.text, OPERATIONS[role]))
    written = {name for name, value in values.get("operations", {}).items() if value != "none"}
    for name in NEEDED_OPERATIONS[role]:
        if "operations" in values and name not in written and not values.wrong:
            problems.add(values.at("operations"), f"a {role} cannot do without the operation '{name}'")
    for field, roles in FIELDS_OF.items():
        if field in values and role not in roles:
            owner = {"supply": "supplie"}.get(roles[0], roles[0])
            problems.add(values.at(field), f"'{field}' belongs to {owner}s")


def _check_operations(
    own: Mapping[str, Values], merged: Mapping[str, Values], problems: Problems, *, named: bool
) -> None:
    """Check the operations `own`; `merged` are all that a model has, for what they must agree about."""
    for name, operation in own.items():
        _check_operation(operation, problems)
        for node, text in _texts(operation):
            if "name" in _names(text) and not named:
                problems.add(node, "{name} is used, but no `output_names` say what it is")
        _check_reading(operation, problems)
        _check_agreement(name, operation, merged, problems)
        if name == "master" and not {"send", "query"} <= set(operation.entries) | operation.wrong:
            problems.add(operation.node, "'master' needs `send` and `query`: nobody could tell whether power is on")


def _check_operation(operation: Values, problems: Problems) -> None:
    if not {"send", "query"} & (set(operation.entries) | operation.wrong):
        problems.add(operation.node, "an operation needs `send`, `query` or both")
    if "query" not in operation and "query" not in operation.wrong:
        for name in ("reply", "pattern", "unit", "else", "clears_when_read", "clears_trips"):
            if name in operation:
                problems.add(operation.at(name), f"a {name} without a `query` to ask for it")
    if (query := operation.entries.get("query")) is not None and "?" not in query.value:
        problems.add(query.node, f"'{query.value}' is no query: it holds no question mark")
    for entry in operation.many("send"):
        if "?" in entry.value:
            problems.add(entry.node, "a query among what is sent: nobody would read its answer")
    for node, text in _texts(operation):
        _check_braces(node, text, PLACEHOLDERS, problems)


def _check_braces(node: Node, text: str, known: tuple[str, ...], problems: Problems) -> None:
    for inside in _ANY_HOLE.findall(text):
        name, colon, form = inside.partition(":")
        if name not in known:
            problems.add(node, f"nothing is called {{{name}}}", nearest(name, known))
        elif colon and not is_format(name, form):
            message = f"'{form}' is no format of {{{name}}}"
            problems.add(node, message, "numbers: .3f, or 05.2f (five characters); outputs: 02d (two digits)")
    bare = _ANY_HOLE.sub("", text)
    if "{" in bare or "}" in bare:
        problems.add(node, "a brace without its partner")


def _check_reading(operation: Values, problems: Problems) -> None:
    """Check the words of a reply: bits are of status words, and `else` belongs to bits."""
    kind = operation.get("reply", ReplyKind.NUMBER)
    conditions = 0
    for entry in operation.many("words"):
        if entry.key is None or not is_condition(entry.key.text):
            continue
        conditions += 1
        try:
            read_condition(entry.key.text)
        except NotationError as error:
            problems.add(entry.key, error.message, error.what_to_do)
            continue
        if kind not in STATUS_WORDS and "reply" not in operation.wrong:
            problems.add(entry.key, f"a reply of kind {kind} has no bits", f"`reply:` {', '.join(STATUS_WORDS)}")
    if "else" in operation and not conditions:
        problems.add(operation.at("else"), "`else` is for status words: no bit is named under `words`")
    if "unit" in operation and kind not in (ReplyKind.NUMBER, ReplyKind.NUMBERS):
        problems.add(operation.at("unit"), f"a reply of kind {kind} carries no unit")


def _check_agreement(name: str, operation: Values, merged: Mapping[str, Values], problems: Problems) -> None:
    """One query is sent once in a look and its reply shared, so every operation must read it alike."""
    query = operation.get("query")
    for other, entry in merged.items():
        if other == name:
            return
        if query is not None and entry.get("query") == query:
            for field in ("reply", "pattern", "unit", "clears_when_read"):
                if entry.get(field) != operation.get(field):
                    message = f"'{query}' is read in another way than by '{other}': the same `{field}` is needed"
                    problems.add(operation.at(field), message)


def _check_master(values: Values, base: Mapping[str, Values], problems: Problems) -> None:
    """A general switch powers every output whose own is on, so these have to be counted; reading errors may clear."""
    if (master := base.get("master")) is not None:
        if "outputs" not in values and "outputs" not in values.wrong:
            problems.add(master.node, "'master' needs `outputs`: the others are switched off before it goes on")
        if values.get("output_scope") == "all":
            problems.add(values.at("output_scope"), "with 'master', each output has a switch of its own")
        if "all_off" in base:
            message = "with 'master', every output is switched off by it and by 'switch'"
            problems.add(base["all_off"].node, message, "leave 'all_off' out")
    for name in ("error", "other_error"):
        if name in base and base[name].get("clears_trips") and "select" in base:
            message = "reading errors clears trips: those of outputs that are selected cannot all be asked before"
            problems.add(base[name].at("clears_trips"), message)


def _check_names(values: Values, problems: Problems) -> None:
    for entry in values.many("output_names"):
        if entry.key is not None and not re.fullmatch(r"[1-9][0-9]?", entry.key.text):
            problems.add(entry.key, f"'{entry.key.text}' is no number of an output")


def _check_ends(values: Values, problems: Problems) -> None:
    endless = values.get("read_end") == ""
    if endless and "quiet" not in values and "quiet" not in values.wrong:
        problems.add(values.at("read_end"), "replies without an end need `quiet`: how long a silence ends one")
    if "quiet" in values and not endless:
        problems.add(values.at("quiet"), "`quiet` is for replies without an end: write `read_end: ''` beside it")
    if "acknowledge_scope" in values and "acknowledge" not in values:
        problems.add(values.at("acknowledge_scope"), "a scope without an `acknowledge` line")


def _check_unasked(values: Values, problems: Problems) -> None:
    """What is sent at opening and closing must change no output."""
    texts: list[tuple[Node, str, tuple[str, ...]]] = []
    texts += [(entry.node, entry.value, ("address",)) for entry in values.many("greeting")]
    for field in ("opening", "closing"):
        for by_link in values.many(field):
            texts += [(entry.node, entry.value, ()) for entry in by_link.value]
    for node, text, known in texts:
        _check_braces(node, text, known, problems)
        if text.strip().upper() == "*RST":
            problems.add(node, "a reset changes outputs: attaching changes nothing")


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


def _texts(operation: Values) -> Iterator[tuple[Node, str]]:
    for entry in operation.many("send"):
        yield entry.node, entry.value
    if (query := operation.entries.get("query")) is not None:
        yield query.node, query.value


def _names(text: str) -> set[str]:
    return {inside.partition(":")[0] for inside in _ANY_HOLE.findall(text)}
