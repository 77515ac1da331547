"""What a meter is told and asked for one reading: its set-up in the order that keeps it, and a value that is fresh.

Function and range come first: on many meters they preset everything else, the input impedance among it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bringup.core.dialect import Dialect, Message, applies, can_ask, can_tell, configuring
from bringup.core.frozen import frozen
from bringup.core.spelling import ask, spell
from bringup.core.understanding import understand_word
from bringup.runner.exchange import error_queries
from bringup.runner.records import Reply

SLOWEST_LINE = 50.0
"""Hz. Where the mains have 60 Hz, a reading is sooner there than we allow for."""
READS_WITHIN = 4.0
"""A reading takes so many integration times at most: the input, the zero, and a change of range."""
FRESH_AFTER = 2.0
"""So many readings' times after an answer the next one is new: one was under way, and one more begins and ends."""


@frozen
class HowToRead:
    """What holds for every reading. `nplc`: power-line cycles to integrate over."""

    nplc: float
    high_impedance: bool = False


def setup(dialect: Dialect, function: str, full_scale: float | None, how: HowToRead) -> list[Message]:
    """Return what sets the meter up, an error look after every setting; last, it is asked what it is set to."""
    first = configuring(dialect, function, fixed=full_scale is not None)
    assert first is not None, "whoever asks has looked"
    told = [spell(dialect, first, function=function, range=full_scale)]
    rest = {"two_wire": True, "four_wire": True, "integration": True, "auto_zero": True}
    rest["high_impedance"] = how.high_impedance
    preset = {"auto_zero": True, "high_impedance": False} if dialect.configure_presets else {}
    told += [
        spell(dialect, name, function=function, nplc=how.nplc, speed=_speed(dialect, how), on=on)
        for name, on in rest.items()
        if can_tell(dialect, name) and applies(dialect, name, function) and preset.get(name) != on
    ]
    looks = error_queries(dialect)
    messages = [message for each in told for message in (*each, *looks)]
    if can_ask(dialect, "chosen_function") and applies(dialect, "chosen_function", function):
        messages.append(ask(dialect, "chosen_function", function=function))
    return messages


def reading(dialect: Dialect, function: str, how: HowToRead) -> tuple[Message, ...]:
    """Return what takes one fresh reading; the answer that counts is to the last of them."""
    entry = dialect.operations["read"]
    takes = dialect.speeds[_speed(dialect, how)] if dialect.speeds else how.nplc / SLOWEST_LINE
    query = ask(dialect, "read", extra_time=READS_WITHIN * takes, function=function)
    first = replace(query, gap=query.gap + FRESH_AFTER * takes)
    return (*spell(dialect, "read", function=function), *(first,) * entry.discard, query)


def said_otherwise(dialect: Dialect, function: str, replies: Sequence[Reply]) -> str:
    """Return what is wrong where the meter, asked what it is set to, named something else; '' where it did not."""
    if not (can_ask(dialect, "chosen_function") and applies(dialect, "chosen_function", function)):
        return ""
    query = ask(dialect, "chosen_function", function=function).text
    said = next((reply.line for reply in replies if reply.message.text == query and reply.line is not None), None)
    if said is None or says(dialect, said, function):
        return ""
    return f"the meter was set to {function}, but says that it is set to {said[:40]!r}"


def says(dialect: Dialect, said: str, function: str) -> bool:
    """Whether what a meter says that it is set to is this function."""
    if dialect.operations["chosen_function"].words:
        return understand_word(dialect, "chosen_function", said) == function
    return said.strip(" \t\r\n\x00\"'").casefold() == dialect.functions[function].strip("\"'").casefold()


def found_at(dialect: Dialect, said: str | None) -> str:
    """Return the function that a meter says it is set to; what it said where that is none of ours, '' where nothing."""
    if said is None:
        return ""
    return next((name for name in dialect.functions if says(dialect, said, name)), repr(said[:40]))


def _speed(dialect: Dialect, how: HowToRead) -> str:
    """Return the fastest speed that takes as long as was asked for; the slowest where none does; '' without speeds."""
    fastest_first = sorted(dialect.speeds, key=lambda name: dialect.speeds[name])
    wanted = how.nplc / SLOWEST_LINE
    slow_enough = (name for name in fastest_first if dialect.speeds[name] >= wanted)
    return next(slow_enough, fastest_first[-1] if fastest_first else "")
