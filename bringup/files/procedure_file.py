"""Procedure files: YAML to a Procedure of the core, with the board it is for. Checks are in procedure_checks.py."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from bringup.core.beside_log import HeardMark, Temperature
from bringup.core.board import Board
from bringup.core.limits import Limits
from bringup.core.listening import Listen
from bringup.core.procedure import (
    Action,
    Apply,
    Dwell,
    HostProgram,
    Inspect,
    Leads,
    Log,
    Measure,
    Note,
    OnLost,
    OnlyIf,
    Pace,
    PowerOff,
    Procedure,
    Question,
    Sink,
    Step,
    TakePhoto,
)
from bringup.core.quantity import Quantity, parse_quantity
from bringup.core.sisters import LEAST_SISTERS
from bringup.core.statistics_of_log import FIELDS
from bringup.core.under_load import Ripple
from bringup.core.unpowered import Resistance
from bringup.errors import FileError, Problem
from bringup.files.accuracy_rows import fixed_in
from bringup.files.board_file import board_of, read_board, rule_in
from bringup.files.fields import OWN_PACE, PROCEDURE
from bringup.files.log_checks import channel_of
from bringup.files.nodes import Problems, in_order
from bringup.files.not_placed import read_lists, with_lists
from bringup.files.procedure_checks import Points, check_procedure, index_of_step
from bringup.files.resistance_checks import points_and_pairs
from bringup.files.sections import Values
from bringup.files.shapes import Entry
from bringup.files.source import Opened, open_file, report_other_kind

LOG_EVERY = "200 ms"
TEMPERATURES_EVERY = "15 min"
"""Default time between two samples of `log`."""
OWN_PACE_LEAST = "10 ms"
"""Least time between two samples at the instruments' own pace: one that answers at once must not fill the disk."""
RIPPLE_TIME_BASE = "10 us"
"""Default time per division of `ripple`: a few periods of most converters (common practice, no source)."""
LISTEN_WITHIN = "10 s"
"""Default time in which text has to come."""
PROGRAM_TIME_OUT = "60 s"
"""Default time that a program of this computer may take."""


def load_procedure(path: str | Path) -> Procedure:
    """Read a procedure file and its board. Raises FileError with everything that is wrong with either."""
    procedure, problems = read_procedure(open_file(Path(path)))
    if procedure is None:
        raise FileError(in_order(problems))
    return procedure


def read_procedure(opened: Opened) -> tuple[Procedure | None, list[Problem]]:
    """Read an opened procedure file: the procedure if nothing is wrong, and the problems of both files."""
    if report_other_kind(opened, "procedure"):
        return None, opened.problems.found
    values = PROCEDURE.read(opened.root, opened.problems) if opened.root is not None else None
    if not isinstance(values, Values):
        return None, opened.problems.found
    inline = values.section_in("board")
    of_board: list[Problem] = []
    if inline is not None:
        board_values: Values | None = inline
        board = board_of(inline, opened.problems, str(opened.path))
    else:
        board_values, board, of_board = _board_beside(values, opened)
    check_procedure(values, None if board_values is None else Points(board_values), opened.problems)
    lists, of_lists = read_lists(values, opened)
    found = opened.problems.found + of_board + of_lists
    if found or board is None:
        return None, found
    return with_lists(_build(values, board, str(opened.path)), lists), []


def board_path(values: Values, beside: Path) -> Path | None:
    """Return the path of the board file that a procedure or a simulated bench names; None if it names none."""
    named = values.get("board")
    return beside.parent / named if isinstance(named, str) else None


def _board_beside(values: Values, opened: Opened) -> tuple[Values | None, Board | None, list[Problem]]:
    path = board_path(values, opened.path)
    return (None, None, []) if path is None else follow_board(path, values, opened.problems)


def follow_board(path: Path, values: Values, problems: Problems) -> tuple[Values | None, Board | None, list[Problem]]:
    """Read the board file that the field `board` names. A file that cannot be had is reported where it is named."""
    try:
        opened = open_file(path)
    except FileError as error:
        for problem in error.problems:
            problems.add(values.at("board"), f"the board file {problem.path}: {problem.message}", problem.suggestion)
        return None, None, []
    board_values, board = read_board(opened)
    return board_values, board, opened.problems.found


def _build(values: Values, board: Board, path: str) -> Procedure:
    steps = [entry.value for entry in values.many("steps")]
    names = [_body(step)[1].get("name", "") for step in steps]
    return Procedure(
        name=values.get("procedure"),
        board=board,
        steps=tuple(_step(index, step, names, board) for index, step in enumerate(steps)),
        unattended_after_first_power=values.get("unattended", "never") == "after first power",
        board_state=values.get("board_state"),
        answer_within=values.get("answer_within"),
        path=path,
    )


def _body(step: Values) -> tuple[str, Values]:
    """Return a step's action name and the section under it."""
    ((name, entry),) = step.entries.items()
    assert isinstance(entry.value, Values)
    return name, entry.value


def _step(index: int, step: Values, names: list[str], board: Board) -> Step:
    kind, body = _body(step)
    key = step.entries[kind].key
    assert key is not None
    return Step(
        index=index,
        action=_action(kind, body, board),
        name=body.get("name", ""),
        title=body.get("title", ""),
        expect=_limits_by_name(body.get("expect")),
        end_on_fail=body.get("on_fail", "end") == "end",
        only_if=_only_if(body.section_in("only_if"), names),
        cautions=body.get("caution", ()),
        board_state=body.get("board_state"),
        irreversible=body.get("irreversible", False),
        steady=_steady(body.get("steady", "no")),
        end_on_creep=body.get("on_creep", "warn") == "end",
        decision_rule=rule_in(body),
        on_lost=OnLost(body.get("on_lost", OnLost.END)),
        line=key.line,
        column=key.column,
    )


def _action(kind: str, body: Values, board: Board) -> Action:
    match kind:
        case "inspect":
            return Inspect(body.get("confirm", ()))
        case "question":
            return Question(body.get("ask"), body.get("choices", ()), body.get("good", ()), _unit_asked(body))
        case "note":
            return Note(body.get("text"))
        case "photo":
            return TakePhoto(body.get("of"), body.get("folder", ""), body.get("file", ""), body.get("within"))
        case "resistance":
            singles, pairs = points_and_pairs(body.get("points"))
            return Resistance(singles, pairs, body.get("both_polarities", False), body.get("sisters", LEAST_SISTERS))
        case "leads":
            return Leads(body.get("input"), body.get("current_limit"))
        case "apply":
            facts = {name: body.get(name) for name in _APPLY_FIELDS if name in body}
            return Apply(**facts)
        case "measure":
            return Measure(body.get("points"), fixed_in(body))
        case "log":
            return _log(body, board)
        case "load":
            from bringup.files.load_checks import HELD

            mode = next((name for name in HELD if name in body), "")
            return Sink(body.get("rail"), mode, body.get(mode), body.get("stop_voltage"), body.get("settle"))
        case "power_cycle":
            from bringup.files.sweep_checks import cycle_of

            return cycle_of(body)
        case "ripple":
            base = body.get("time_base", parse_quantity(RIPPLE_TIME_BASE, "s"))
            return Ripple(body.get("points"), body.get("by"), base, body.get("ground", ""), body.get("band", ""))
        case "sweep":
            from bringup.files.sweep_checks import sweep_of

            return sweep_of(body)
        case "dwell":
            return Dwell(body.get("for"))
        case "host_program":
            return _program(body)
        case "listen":
            return _listen(body)
        case _:
            assert kind == "power_off", kind
            return PowerOff(body.get("discharged_below"))


def _log(body: Values, board: Board) -> Log:
    every, pace = body.get("every"), Pace.STATED
    if every is None or every == OWN_PACE:
        pace = Pace.USUAL if every is None else Pace.OWN
        every = parse_quantity(LOG_EVERY if every is None else OWN_PACE_LEAST, "s")
    known = (*board.inputs, *board.rails)
    judging = {FIELDS[name]: _limits_by_name(body.get(name)) for name in FIELDS if name in body}
    marks = tuple(body.get("marks", {}).items())
    what = tuple(channel_of(text, known) for text in body.get("what"))
    said = body.get("marks_heard", {}).items()
    heard = tuple(HeardMark(line, name, pattern) for line, named in said for name, pattern in named.items())
    named = body.get("temperatures", {}).items()
    spots = tuple(Temperature(spot, by == "meter") for spot, by in named)
    usual = parse_quantity(TEMPERATURES_EVERY, "s")
    between = body.get("temperatures_every", usual if usual.value < body.get("for").value else body.get("for"))
    return Log(what, body.get("for"), every, pace, judging, marks, heard, spots, between if spots else None)


def _program(body: Values) -> HostProgram:
    time_out = body.get("time_out", parse_quantity(PROGRAM_TIME_OUT, "s"))
    texts = body.get("contains", ()), body.get("loads", ""), body.get("version", "")
    return HostProgram(body.get("program"), time_out, body.get("exit_code", 0), *texts)


def _listen(body: Values) -> Listen:
    return Listen(
        body.get("line"),
        body.get("within", parse_quantity(LISTEN_WITHIN, "s")),
        body.get("text", ""),
        body.get("pattern", ""),
        body.get("send", ()),
        body.get("line_end", ""),
        body.get("bad", ()),
        body.get("units", {}),
        body.get("words", ()),
        body.get("rails", {}),
        body.get("agrees", {}),
        only_new=body.get("only_new", "send" in body),
    )


_APPLY_FIELDS = (
    "input",
    "then",
    "current_limit",
    "short_check",
    "expect_current",
    "limit_time",
    "trip_current",
    "over_voltage",
    "time_to_regulation",
    "hold",
)


def _steady(stated: str | Quantity) -> float | None:
    """Return the part by which values may creep; None: as they like."""
    if isinstance(stated, Quantity):
        return stated.number / 100.0
    if stated != "yes":
        return None
    from bringup.core.creep import ALLOWED

    return ALLOWED


def _unit_asked(body: Values) -> str:
    """Return the unit of a question's value: stated, or that of its limits."""
    expect = body.get("expect")
    stated: str = body.get("unit", "")
    return expect.unit if not stated and isinstance(expect, Limits) else stated


def _limits_by_name(stated: Limits | Mapping[str, Limits] | None) -> dict[str, Limits]:
    if stated is None:
        return {}
    return {"": stated} if isinstance(stated, Limits) else dict(stated)


def _only_if(values: Values | None, names: list[str]) -> OnlyIf | None:
    if values is None:
        return None
    step: Entry | None = values.entries.get("step")
    return OnlyIf(
        attended=values.get("attended"),
        board_state=values.get("board_state"),
        variant=values.get("variant"),
        step=None if step is None else index_of_step(step.value, names),
        result=values.get("result"),
    )
