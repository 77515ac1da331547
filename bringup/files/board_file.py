"""Board files: YAML to a Board of the core. What must fit together is looked at in board_checks.py."""

from __future__ import annotations

import math
from decimal import Decimal
from pathlib import Path
from typing import Any

from bringup.core.board import Across, Board, Converter, ConverterKind, Input, Load, LoadKind, Rail, Rating, Tolerances
from bringup.core.decision import SIMPLE, DecisionRule, RuleKind
from bringup.core.quantity import Quantity
from bringup.errors import FileError
from bringup.files.board_checks import check_board
from bringup.files.board_fields import BOARD
from bringup.files.nodes import Problems, in_order
from bringup.files.sections import Values, plain
from bringup.files.source import Opened, open_file, report_other_kind

LOAD_KINDS = {"A": LoadKind.CURRENT, "ohm": LoadKind.RESISTANCE, "W": LoadKind.POWER}
"""The unit of a load's value says what stays constant."""

ANY_SERIAL = r"[^\s].*"
"""Where a board file states no pattern, a serial number is any text that does not start with a blank."""


def load_board(path: str | Path) -> Board:
    """Read a board file. Raises FileError with everything that is wrong with it."""
    opened = open_file(Path(path))
    values, board = read_board(opened)
    if board is None or values is None:
        raise FileError(in_order(opened.problems.found))
    return board


def read_board(opened: Opened) -> tuple[Values | None, Board | None]:
    """Read an opened board file: its values as far as they could be read, and the board if nothing is wrong."""
    if report_other_kind(opened, "board"):
        return None, None
    values = BOARD.read(opened.root, opened.problems) if opened.root is not None else None
    if not isinstance(values, Values):
        return None, None
    return values, board_of(values, opened.problems, str(opened.path))


def board_of(values: Values, problems: Problems, path: str) -> Board | None:
    """Check a board that was read (from its own file, or inline) and return it; None if anything is wrong."""
    check_board(values, problems)
    return None if problems.found else _build(values, path)


def _build(values: Values, path: str) -> Board:
    return Board(
        name=values.get("board"),
        revision=values.get("revision", ""),
        serial_pattern=values.get("serial", ANY_SERIAL),
        inputs={name: _input(name, one) for name, one in values.sections("inputs")},
        rails={name: _rail(name, one) for name, one in values.sections("rails")},
        states=values.get("states", ()),
        variants=values.get("variants", ()),
        cautions=values.get("cautions", ()),
        path=path,
        tolerances=Tolerances(values.get("tolerances", Tolerances.WORST_CASE)),
        decision_rule=rule_in(values) or SIMPLE,
        ratings=tuple(_rating(name, one) for name, one in values.sections("ratings")),
        ambient=values.get("ambient"),
    )


def _rating(name: str, values: Values) -> Rating:
    return Rating(
        name,
        values.get("never_above"),
        values.get("driven_by"),
        values.get("down_to", ""),
        values.get("upper"),
        values.get("lower"),
    )


def _input(name: str, values: Values) -> Input:
    return Input(
        name=name,
        voltage=values.get("voltage"),
        working=values.get("range"),
        damage_above=values.get("damage_above"),
        ac=values.get("ac"),
        probe=values.get("probe", ""),
        capacitance=values.get("capacitance"),
        loads=_loads(values),
        source_resistance=values.get("source_resistance"),
        unpowered_resistance=values.get("unpowered_resistance"),
        ground=values.get("ground"),
        stays_live=values.get("stays_live"),
        cell=values.get("cell", ""),
        after=values.get("after", ()),
        decision_rule=rule_in(values),
        parts=values.get("parts", ()),
    )


def _rail(name: str, values: Values) -> Rail:
    converter = values.section_in("converter")
    return Rail(
        name=name,
        source=values.get("from"),
        probe=values.get("probe", ""),
        expect=values.get("expect"),
        converter=None if converter is None else _converter(converter),
        loads=_loads(values),
        capacitance=values.get("capacitance"),
        source_resistance=values.get("source_resistance"),
        unpowered_resistance=values.get("unpowered_resistance"),
        ground=values.get("ground"),
        damage_above=values.get("damage_above"),
        ac=values.get("ac"),
        collapse_below=values.get("collapse_below"),
        parts=values.get("parts", ()),
        variants=values.get("variants", ()),
        decision_rule=rule_in(values),
        stays_live=values.get("stays_live"),
        cell=values.get("cell", ""),
    )


def _converter(values: Values) -> Converter:
    facts = {name: values.get(name) for name in values.entries if name != "kind"}
    if "reference_across" in facts:
        facts["reference_across"] = Across(facts["reference_across"])
    return Converter(kind=ConverterKind(values.get("kind")), **facts)


def rule_in(values: Values) -> DecisionRule | None:
    """Return the decision rule that a section states, None where it states none."""
    stated = values.section_in("decision_rule")
    if stated is None:
        return None
    return DecisionRule(RuleKind(stated.get("rule")), Decimal(str(stated.get("r", 1))))


def _loads(values: Values) -> tuple[Load, ...]:
    return tuple(_load(str(entry.key.text), plain(entry.value)) for entry in values.many("loads") if entry.key)


def _load(name: str, value: Any) -> Load:
    if isinstance(value, Quantity):
        return Load(name, LOAD_KINDS[value.unit], value.number)
    kind = LOAD_KINDS[next(iter(value.values())).unit]
    by_state = {state: amount.number for state, amount in value.items()}
    nothing = math.inf if kind is LoadKind.RESISTANCE else 0.0
    return Load(name, kind, by_state.pop("default", nothing), by_state)
