"""What a reply to an operation's query means in a Dialect: a number, on or off, a word of ours.

Pure, and nothing here raises, whatever the line: what cannot be read is no value, and neither on nor off.
"""

from __future__ import annotations

import re

from bringup.core.dialect import Dialect, Message, Operation
from bringup.core.late import late
from bringup.core.replies import Value, can_answer, read_boolean, read_integer, read_number
from bringup.core.status_words import is_condition, read_condition, status_word

LONGEST_PATTERNED = 500
"""A longer line is not tried against a dialect's pattern: no reply that has one is so long."""

_LEADING_INTEGER = late(r"\s*([+-]?\d+)")


def can_be_answer(message: Message, line: str) -> bool:
    """Whether the line can be the answer to that message at all."""
    body = _inside(message.pattern, line)
    if body is None or message.expects is None:
        return False
    return _stands_for_over_range(body, message.over_range_words) or can_answer(
        message.expects, body, unit=message.unit
    )


def understand_number(dialect: Dialect, operation: str, line: str | None, unit: str | None = None) -> Value:
    """Read a number from the reply to the operation's query. What is none is no value.

    `unit`: the unit that it may carry, where that depends on what is measured; None: as the operation says.
    """
    if line is None:
        return Value(None, "", why="no reply")
    entry = dialect.operations[operation]
    body = _inside(entry.pattern, line)
    if body is None:
        return Value(None, line, why=f"{line[:40]!r} is not how the dialect says that it answers")
    if _stands_for_over_range(body, dialect.over_range_words):
        return Value(None, line, over_range=-1 if body.strip().startswith("-") else 1, why="over range")
    unit = entry.unit if unit is None else unit
    value = read_number(body, field=entry.field, over_range_from=dialect.over_range_from, unit=unit)
    return Value(value.number, line, value.resolution, value.over_range, value.why) if entry.pattern else value


def understand_switch(dialect: Dialect, operation: str, line: str | None, output: int | None = None) -> bool | None:
    """Read on or off, yes or no; None for no reply and for anything else. `output`: whom a status word is read for."""
    if line is None:
        return None
    entry = dialect.operations[operation]
    if entry.words:
        return {"on": True, "off": False}.get(understand_word(dialect, operation, line, output) or "")
    body = _inside(entry.pattern, line)
    return None if body is None else read_boolean(body)


def understand_word(dialect: Dialect, operation: str, line: str | None, output: int | None = None) -> str | None:
    """Translate a reply by the operation's words, in their order; None where none of them fits.

    The dialect's `else` stands for what fits none of them, if the reply could be read at all and speaks of that output.
    """
    entry = dialect.operations[operation]
    body = None if line is None else _inside(entry.pattern, line)
    if body is None:
        return None
    text = body.strip().strip('"').strip().upper()
    leading = _LEADING_INTEGER.fullmatch(text)
    plain = str(int(leading.group(1))) if leading else None
    word = status_word(entry.reply, body)
    for theirs, ours in entry.words.items():
        if is_condition(theirs):
            condition = read_condition(theirs)
            fits = word is not None and condition.output in (None, output) and condition.holds(word)
        else:
            fits = text == theirs.upper() or plain == theirs
        if fits:
            return ours
    return (entry.otherwise or None) if word is not None and _speaks_of(entry, output) else None


def understand_mode(dialect: Dialect, line: str | None) -> str | None:
    """Read which mode a load is in: by the words of `set_mode`, else by how its modes are spelt; None for neither."""
    entry = dialect.operations["set_mode"]
    if entry.words:
        return understand_word(dialect, "set_mode", line)
    body = None if line is None else _inside(entry.pattern, line)
    if body is None:
        return None
    text = body.strip().strip('"').strip().upper()
    return next((ours for ours, theirs in dialect.modes.items() if theirs.upper() == text), None)


def understand_output(dialect: Dialect, line: str | None) -> int | None:
    """Read which output is selected, from its number or its name; None for anything else."""
    body = None if line is None else _inside(dialect.operations["select"].pattern, line)
    if body is None:
        return None
    text = body.strip().strip('"').strip().upper()
    named = (number for number, name in dialect.output_names.items() if name.upper() == text)
    return next(named, read_integer(text))


def _stands_for_over_range(body: str, words: tuple[str, ...]) -> bool:
    return bool(words) and body.strip("\r\n\x00 \t").lstrip("+-").casefold() in {word.casefold() for word in words}


def _speaks_of(entry: Operation, output: int | None) -> bool:
    """Whether one of the conditions is about this output: of one that is not in it, a status word says nothing."""
    conditions = [read_condition(theirs) for theirs in entry.words if is_condition(theirs)]
    return any(one.output in (None, output) for one in conditions)


def _inside(pattern: str, line: str) -> str | None:
    """Return what the pattern's group holds, the whole line where there is no pattern; None where it does not fit."""
    if not pattern:
        return line
    body = line.strip("\r\n\x00 \t")
    found = re.fullmatch(pattern, body) if len(body) <= LONGEST_PATTERNED else None
    return None if found is None else found.group(1)
