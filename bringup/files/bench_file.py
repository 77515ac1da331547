"""Bench files: YAML to a Bench of the core, with the board and the dialects it names. Checks: bench_checks.py."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from bringup.core.bench import (
    FIRST_OUTPUTS,
    LEADS_AT_MOST,
    Bench,
    Ceiling,
    Expected,
    LoadCeiling,
    LoadRole,
    MeterRole,
    ScannerRole,
    ScopeRole,
    SupplyRole,
)
from bringup.core.calibration import WARN_DAYS, CalibrationRule
from bringup.core.dialect import Dialect
from bringup.core.serial_line import SerialLine
from bringup.core.simulate import Simulate
from bringup.errors import FileError, Problem
from bringup.files.accuracy_rows import accuracy_of, integrations_of
from bringup.files.bench_checks import DEFAULT_DIALECT, check_bench, check_reached, role_sections, sort_of, watchdog_of
from bringup.files.bench_fields import BENCH
from bringup.files.bench_scanner_checks import BY_HAND, IN_METER
from bringup.files.dialect_checks import port_settings
from bringup.files.dialect_file import own_file, read_dialect, shipped_dialects, shipped_names, shipped_text
from bringup.files.nodes import Node, in_order
from bringup.files.procedure_file import board_path, follow_board
from bringup.files.sections import Values
from bringup.files.source import Opened, open_file, open_text, report_other_kind
from bringup.files.voltage_checks import Tree
from bringup.files.wording import nearest


def load_bench(path: str | Path) -> Bench:
    """Read a bench file, and the board file and dialects it names. Raises FileError with everything wrong."""
    bench, problems = read_bench(open_file(Path(path)))
    if bench is None:
        raise FileError(in_order(problems))
    return bench


def read_bench(opened: Opened) -> tuple[Bench | None, list[Problem]]:
    """Read an opened bench file: the bench if nothing is wrong, and the problems of all files it names."""
    problems = opened.problems
    if report_other_kind(opened, "bench"):
        return None, problems.found
    values = BENCH.read(opened.root, problems) if opened.root is not None else None
    if not isinstance(values, Values):
        return None, problems.found
    simulate = values.section_in("simulate")
    board, elsewhere = None, list[Problem]()
    if simulate is not None and (path := board_path(simulate, opened.path)) is not None:
        board, _, elsewhere = follow_board(path, simulate, problems)
    check_bench(values, board, problems)
    dialects = dict[str, Dialect]()
    decided = _decided(values, opened, simulated=simulate is not None)
    for role, section in role_sections(values).items():
        dialect, wrong = _dialect(sort_of(role), section, opened)
        elsewhere = elsewhere + wrong
        if dialect is not None:
            dialects[role] = dialect
    simulated = None if simulate is None else _simulate(simulate, board, opened)
    found = problems.found + elsewhere
    if found:
        return None, found
    inputs = [] if board is None else list(Tree(board).inputs)
    return replace(_build(values, simulated, inputs, str(opened.path), dialects), decided=decided), []


def _decided(values: Values, opened: Opened, *, simulated: bool) -> frozenset[str]:
    """Have what the file leaves out of its roles' dialects decided by whom it expects; return whose was."""
    found = set()
    for role, section in () if simulated else role_sections(values).items():
        spoken = section is not None and section.get("resource", BY_HAND) not in (BY_HAND, IN_METER)
        left_out = section is not None and "dialect" not in section and "dialect" not in section.wrong
        if section is None or not spoken or not left_out:
            continue
        from bringup.files.dialect_decided import decide

        if decide(sort_of(role), section, opened.path, opened.problems):
            found.add(role)
    return frozenset(found)


def _dialect(role: str, section: Values | None, opened: Opened) -> tuple[Dialect | None, list[Problem]]:
    """Look the dialect of a role up; return it, and what is wrong in its file. Report here if there is none."""
    if section is None or (name := section.get("dialect")) is None:
        return None, []
    own = own_file(name, opened.path)
    shipped = shipped_names()
    if own is None and name not in shipped:
        opened.problems.add(section.at("dialect"), f"no dialect is called '{name}'", nearest(name, shipped))
        return None, []
    file = open_file(own) if own is not None else open_text(Path(f"{name}.yaml"), shipped_text(name))
    dialect = read_dialect(file)
    if dialect is not None and dialect.role != role:
        fitting = [one for one, default in shipped_dialects().items() if f"role: {role}" in default]
        message = f"'{name}' is a dialect for a {dialect.role}, not for a {role}"
        opened.problems.add(section.at("dialect"), message, f"known: {', '.join(fitting)}")
    elif dialect is not None:
        check_reached(role, section, dialect, opened.problems)
    return dialect, file.problems.found


def _simulate(values: Values, board: Values | None, opened: Opened) -> Simulate:
    from bringup.files.fault_list import read_faults
    from bringup.files.line_file import read_talks

    path = board_path(values, opened.path)
    return Simulate(
        board_path="" if path is None else str(path.resolve()),
        faults=read_faults(values, board, opened.problems),
        state=values.get("state"),
        lead_resistance=values.get("leads"),
        board_name="" if board is None else board.get("board", ""),
        talks=read_talks(values),
    )


def _build(
    values: Values, simulate: Simulate | None, inputs: list[str], path: str, dialects: dict[str, Dialect]
) -> Bench:
    return Bench(
        name=values.get("bench"),
        supply=_supply(values, inputs, simulated=simulate is not None),
        more_supplies=tuple(_more_supplies(values, simulated=simulate is not None)),
        meter=_meter(values, simulated=simulate is not None),
        scanner=_scanner(values, simulated=simulate is not None),
        probing_by_hand=values.get("probing", BY_HAND) == BY_HAND,
        simulate=simulate,
        calibration=_calibration(values),
        backend=values.get("backend", "@py"),
        path=path,
        dialects=dialects,
        load=_load(values, simulated=simulate is not None),
        scope=_scope(values, simulated=simulate is not None),
        lines=_lines(values),
    )


def _lines(values: Values) -> dict[str, SerialLine]:
    if "serial_lines" not in values:
        return {}
    from bringup.files.line_file import read_lines

    return read_lines(values)


def _supply(values: Values, inputs: list[str], *, simulated: bool) -> SupplyRole | None:
    section, at = values.section_in("supply"), values.at("supply")
    outputs = {name: number for number, name in enumerate(inputs, start=1)} if simulated else {}
    if section is not None:
        return _one_supply(section, at, outputs, simulated=simulated)
    if "supply" in values:
        return SupplyRole(None, line=at.line, column=at.column)
    return SupplyRole(None, DEFAULT_DIALECT["supply"], outputs) if simulated else None


def _more_supplies(values: Values, *, simulated: bool) -> Iterator[SupplyRole]:
    by_name = sorted(values.sections("more_supplies"), key=lambda each: each[0])
    for place, (name, section) in enumerate(by_name, start=1):
        role = _one_supply(section, section.node, {}, simulated=simulated)
        yield replace(role, name=f"supply {name}", first=FIRST_OUTPUTS * place)


def _one_supply(section: Values, at: Node, outputs: dict[str, int], *, simulated: bool) -> SupplyRole:
    resource, dialect = _reached(section, "supply", simulated=simulated)
    ceiling = section.section_in("ceiling")
    facts = {} if ceiling is None else {name: ceiling.get(name) for name in ("voltage", "current")}
    by_hand = resource is None and not dialect
    return SupplyRole(
        resource=resource,
        dialect=dialect,
        outputs=section.get("outputs", {} if by_hand else outputs),
        leave_alone=section.get("leave_alone", ()),
        remote_sense=section.get("sense", "local") == "remote",
        ceiling=Ceiling(**facts),
        expected=_expected(section),
        calibration_due=section.get("calibration_due"),
        watchdog=watchdog_of(section),
        port=port_settings(section),
        address=section.get("address"),
        accuracy=section.get("accuracy"),
        current_accuracy=section.get("current_accuracy"),
        leads_at_most=LEADS_AT_MOST if "leads_at_most" not in section else section.get("leads_at_most").number,
        line=at.line,
        column=at.column,
    )


def _meter(values: Values, *, simulated: bool) -> MeterRole | None:
    section = values.section_in("meter")
    if section is None:
        if "meter" in values:
            return MeterRole(None, line=values.at("meter").line, column=values.at("meter").column)
        return MeterRole(None, DEFAULT_DIALECT["meter"]) if simulated else None
    resource, dialect = _reached(section, "meter", simulated=simulated)
    return MeterRole(
        resource,
        dialect,
        _expected(section),
        section.get("calibration_due"),
        port=port_settings(section),
        address=section.get("address"),
        accuracy=accuracy_of(section),
        calibrated=section.get("calibrated"),
        integrations=integrations_of(section),
        test_ratio=section.get("test_ratio", 4.0),
        high_impedance=section.get("high_impedance", False),
        line=values.at("meter").line,
        column=values.at("meter").column,
    )


def _load(values: Values, *, simulated: bool) -> LoadRole | None:
    section = values.section_in("load")
    if section is None:
        return None
    resource, dialect = _reached(section, "load", simulated=simulated)
    ceiling = section.section_in("ceiling")
    facts = {} if ceiling is None else {name: ceiling.get(name) for name in ("current", "power")}
    return LoadRole(
        resource,
        dialect,
        section.get("channels"),
        section.get("sense", "local") == "remote",
        LoadCeiling(**facts),
        section.get("accuracy"),
        section.get("current_accuracy"),
        _expected(section),
        section.get("calibration_due"),
        port=port_settings(section),
        address=section.get("address"),
        line=values.at("load").line,
        column=values.at("load").column,
    )


def _scanner(values: Values, *, simulated: bool) -> ScannerRole | None:
    section = values.section_in("scanner")
    if section is None:
        return None
    resource, dialect = _reached(section, "scanner", simulated=simulated)
    settling = section.get("settling")
    keys = {entry.key.text: entry.key for entry in section.many("channels") if entry.key is not None}
    return ScannerRole(
        None if resource == IN_METER else resource,
        dialect,
        section.get("channels"),
        {name: (key.line, key.column) for name, key in keys.items()},
        ground=section.get("ground"),
        rating=section.get("rating").number,
        settling=None if settling is None else settling.number,
        in_meter=resource == IN_METER,
        expected=_expected(section),
        calibration_due=section.get("calibration_due"),
        port=port_settings(section),
        address=section.get("address"),
        line=values.at("scanner").line,
        column=values.at("scanner").column,
    )


def _scope(values: Values, *, simulated: bool) -> ScopeRole | None:
    section = values.section_in("scope")
    if section is None:
        return None
    resource, dialect = _reached(section, "scope", simulated=simulated)
    return ScopeRole(
        resource,
        dialect,
        section.get("channel", 1),
        float(section.get("probe", 10.0)),
        _expected(section),
        section.get("calibration_due"),
        port=port_settings(section),
        address=section.get("address"),
        line=values.at("scope").line,
        column=values.at("scope").column,
    )


def _calibration(values: Values) -> CalibrationRule:
    section = values.section_in("calibration")
    if section is None:
        return CalibrationRule()
    return CalibrationRule(section.get("warn_days", WARN_DAYS), section.get("overdue") == "refuse")


def _reached(section: Values, role: str, *, simulated: bool) -> tuple[str | None, str]:
    """Return resource and dialect: (None, '') by hand, (None, dialect) simulated."""
    resource = section.get("resource")
    if resource == BY_HAND:
        return None, ""
    return resource, section.get("dialect", DEFAULT_DIALECT[role] if simulated else "")


def _expected(section: Values) -> Expected:
    expect = section.section_in("expect")
    return Expected() if expect is None else Expected(**{name: expect.get(name) for name in expect.entries})
