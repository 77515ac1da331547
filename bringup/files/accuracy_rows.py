"""The lines of a meter's data sheet in a bench file: what must fit together in them, and the table they make."""

from __future__ import annotations

from bringup.core.accuracy import Accuracy
from bringup.core.reading_time import Fixed, Integration
from bringup.core.specification import FUNCTION_UNITS, Row, Specification
from bringup.files.nodes import Problems
from bringup.files.sections import Values

DEFAULT_FUNCTION = "dc volts"
LEAST_NPLC, MOST_NPLC = 0.001, 1000.0
"""Power-line cycles that meters integrate over (from memory)."""


def accuracy_of(meter: Values) -> Accuracy | Specification | None:
    """Return what a meter's section says of its accuracy: one limit of error, a table, or nothing."""
    stated = meter.get("accuracy")
    if stated is None or isinstance(stated, Accuracy):
        return stated
    return Specification(tuple(_row(entry.value) for entry in meter.many("accuracy")))


def check_accuracy(meter: Values, problems: Problems) -> None:
    """Report lines that say nothing by themselves: a part of no range, counts of no digit, units that do not fit."""
    if isinstance(meter.get("accuracy"), Accuracy):
        return
    seen: set[tuple[object, ...]] = set()
    for entry in meter.many("accuracy"):
        row = entry.value
        function = row.get("function", DEFAULT_FUNCTION)
        unit = FUNCTION_UNITS[function]
        for field in ("range", "digit"):
            stated = row.get(field)
            if stated is not None and stated.unit != unit:
                problems.add(row.at(field), f"'{stated.text}' is no {field} of {function}", f"state it in {unit}")
        for field in ("error", "per_degree"):
            _check_error(row, field, unit, problems)
        key = tuple(str(row.get(field, "")) for field in ("range", "days", "temperature"))
        if (function, *key) in seen:
            problems.add(entry.node, f"this range of {function} has the same line twice", "leave one of them out")
        seen.add((function, *key))


def integrations_of(meter: Values) -> tuple[Integration, ...]:
    """Return the integration times that a meter's section lists."""
    return tuple(Integration(entry.value.get("nplc"), entry.value.get("noise")) for entry in meter.many("integration"))


def fixed_in(step: Values) -> Fixed | None:
    """Return what a step fixes or wants of its readings; None where it says nothing."""
    stated = step.get("range")
    found = Fixed(step.get("nplc"), None if stated is None else stated.number, step.get("test_ratio"))
    return None if found == Fixed() else found


def check_fixed(step: Values, problems: Problems) -> None:
    """Report integration times that no meter has, and a ratio of nothing."""
    nplc, ratio = step.get("nplc"), step.get("test_ratio")
    if nplc is not None and not LEAST_NPLC <= nplc <= MOST_NPLC:
        problems.add(step.at("nplc"), _no_time(nplc))
    if ratio is not None and ratio <= 0:
        problems.add(step.at("test_ratio"), "a test uncertainty ratio of zero asks for nothing", "such as 4")


def _no_time(nplc: float) -> str:
    return f"{nplc:g} power-line cycles: meters integrate for {LEAST_NPLC:g} to {MOST_NPLC:g}"


def check_integrations(meter: Values, problems: Problems) -> None:
    """Report integration times that cannot be chosen from: none at all, alike, or without an accuracy beside them."""
    seen: set[float] = set()
    for entry in meter.many("integration"):
        nplc = entry.value.get("nplc")
        if nplc is not None and not LEAST_NPLC <= nplc <= MOST_NPLC:
            problems.add(entry.value.at("nplc"), _no_time(nplc))
        if nplc in seen:
            problems.add(entry.node, f"{nplc:g} power-line cycles stand twice", "leave one of them out")
        seen.add(nplc)
    if (ratio := meter.get("test_ratio")) is not None and ratio <= 0:
        problems.add(meter.at("test_ratio"), "a test uncertainty ratio of zero asks for nothing", "such as 4")
    if "integration" in meter and not meter.many("accuracy") and "accuracy" not in meter.wrong:
        message = "`integration` without the lines of an `accuracy`: nothing says how sure a reading is then"
        problems.add(meter.at("integration"), message, "state `accuracy` as a list, each entry with its range")


def _check_error(row: Values, field: str, unit: str, problems: Problems) -> None:
    error = row.get(field)
    if error is None:
        return
    if error.volts and error.unit != unit:
        problems.add(row.at(field), f"the fixed part of '{error}' is in {error.unit} where {unit} is due")
    if error.of_range and "range" not in row and "range" not in row.wrong:
        message = f"'{error}' gives a part of the range, and no `range` is stated"
        problems.add(row.at(field), message, "one line for each range: {range: 10 V, error: ...}")
    if error.counts and "digit" not in row and "digit" not in row.wrong:
        message = f"'{error}' gives counts, and no `digit` says what one is worth"
        problems.add(row.at(field), message, "such as digit: 1 mV")


def _row(values: Values) -> Row:
    scale, digit = values.get("range"), values.get("digit")
    return Row(
        values.get("function", DEFAULT_FUNCTION),
        None if scale is None else scale.value,
        values.get("error"),
        None if digit is None else digit.value,
        values.get("days"),
        values.get("temperature"),
        values.get("per_degree"),
    )
