"""What must fit together in a dialect of a meter: functions, ranges and their words, speeds, what is thrown away."""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.dialect import UNIT_OF_FUNCTION
from bringup.core.spelling import holes
from bringup.files.nodes import Problems
from bringup.files.sections import Values

OF_METERS = ("functions", "discard")
"""Fields of an operation that only meters have."""


def check_meter(values: Values, problems: Problems) -> None:
    """Report what does not fit together."""
    _check_ranges(values, problems)
    _check_range_words(values, problems)
    _check_operations(values, problems)


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


def _check_range_words(values: Values, problems: Problems) -> None:
    ranges = {entry.key.text: len(entry.value) for entry in values.many("ranges") if entry.key is not None}
    for entry in values.many("range_words"):
        function = entry.key.text if entry.key is not None else ""
        if len(entry.value) != ranges.get(function, 0):
            message = f"{len(entry.value)} words for the {ranges.get(function, 0)} `ranges` of {function}"
            problems.add(entry.key or entry.node, message, "one word for each range, in the same order")


def _check_operations(values: Values, problems: Problems) -> None:
    for operation in _operations(values):
        texts = [*operation.get("send", ()), operation.get("query", "")]
        if any("speed" in holes(text) for text in texts) and "speeds" not in values and "speeds" not in values.wrong:
            problems.add(operation.node, "{speed} is used, but no `speeds` say what it can be and how long it takes")
        if "discard" in operation and "query" not in operation:
            problems.add(operation.at("discard"), "`discard` without a `query` whose answers it is about")
        for name in OF_METERS:
            if name in operation and values.get("role") not in (None, "meter"):
                problems.add(operation.at(name), f"'{name}' belongs to meters")


def _operations(values: Values) -> Iterator[Values]:
    yield from (one for _, one in values.sections("operations"))
    for _, variant in values.sections("variants"):
        yield from (one for _, one in variant.sections("operations"))
