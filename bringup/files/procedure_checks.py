"""What must fit together in a procedure file: names of points and states, units of limits, references to steps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bringup.core.limits import Limits
from bringup.core.program import MARKERS, marker_of, pasted_marker
from bringup.core.quantity import Quantity
from bringup.core.safety_ramp import SHORT_CHECK_MOST
from bringup.core.statistics_of_log import FIELDS
from bringup.core.words import UNIT_OF, Kind
from bringup.files.accuracy_rows import check_fixed
from bringup.files.amounts import UNIT_WORDS
from bringup.files.log_checks import as_meant, check_channel, check_log, temperatures_of
from bringup.files.nodes import Problems
from bringup.files.not_placed import check_inspect
from bringup.files.resistance_checks import check_resistance_points, read_in
from bringup.files.sections import Values
from bringup.files.shapes import Entry
from bringup.files.voltage_checks import Tree
from bringup.files.watched_checks import check_watched
from bringup.files.wording import nearest

WITH_POINTS = ("measure", "ripple")
SWEEPING = ("ripple", "power_cycle", "sweep")
"""Few procedures have such a step: what checks one is imported where there is one."""


class Points:
    """The names that a procedure can refer to, as far as the board could be read."""

    def __init__(self, board: Values) -> None:
        tree = Tree(board)
        self.inputs = list(tree.inputs)
        self.all = tree.named
        self.tree = tree
        self.states: tuple[str, ...] = board.get("states", ())
        self.variants: tuple[str, ...] = board.get("variants", ())


def index_of_step(name: str, names: Sequence[str]) -> int | None:
    """Return the index of the step with that name."""
    return list(names).index(name) if name in names else None


def check_procedure(values: Values, points: Points | None, problems: Problems) -> None:
    """Report what does not fit together. `points` None: the board could not be read, so names are not looked at."""
    if points is not None:
        _check_word(values, "board_state", points.states, "board state", problems)
    seen: list[str] = []
    for kind, body in _bodies(values):
        if points is not None:
            _check_points(kind, body, points, problems)
            _check_word(body, "board_state", points.states, "board state", problems)
        _check_only_if(body, points, seen, problems)
        _check_expect(kind, body, points, problems)
        if kind == "question":
            _check_question(body, problems)
        if kind == "inspect":
            check_inspect(body, problems)
        every, whole = body.get("every"), body.get("for")
        if isinstance(every, Quantity) and whole is not None and every.value > whole.value:
            problems.add(
                body.at("every"), f"a sample every {every} in a step of {whole}", "take more, or log for longer"
            )
        if kind == "log":
            check_log(body, problems)
            for name in FIELDS:
                _check_expect(kind, body, points, problems, name)
        if kind == "apply":
            _check_apply(body, problems)
            for entry in body.many("time_to_regulation"):
                if points is not None and entry.value not in points.tree.rails:
                    message = f"the board has no rail called '{entry.value}'"
                    problems.add(entry.node, message, nearest(entry.value, list(points.tree.rails)))
            _check_twice(body, "time_to_regulation", problems)
        if kind == "measure":
            check_fixed(body, problems)
        if kind == "load":
            from bringup.files.load_checks import check_load_step

            check_load_step(body, None if points is None else points.all, problems)
        if kind in SWEEPING:
            _check_sweeping(kind, body, points, problems)
        if kind == "host_program":
            _check_program(body, problems)
        if kind == "listen":
            from bringup.files.listen_checks import check_listen

            check_listen(body, None if points is None else points.all, problems)
        check_watched(kind, body, None if points is None else points.inputs, problems)
        if (name := body.get("name")) is not None:
            if name in seen:
                problems.add(body.at("name"), f"an earlier step is already called '{name}'")
            seen.append(name)


def _check_sweeping(kind: str, body: Values, points: Points | None, problems: Problems) -> None:
    from bringup.files.sweep_checks import check_cycle, check_ripple, check_sweep

    inputs, known = (None, None) if points is None else (points.inputs, points.all)
    if kind == "ripple":
        check_ripple(body, problems)
    elif kind == "power_cycle":
        check_cycle(body, inputs, known, problems)
    else:
        check_sweep(body, inputs, known, problems)


def _bodies(values: Values) -> Iterator[tuple[str, Values]]:
    for step in values.many("steps"):
        for kind, entry in step.value.entries.items():
            if isinstance(entry.value, Values):
                yield kind, entry.value


def _check_word(values: Values, name: str, known: Sequence[str], what: str, problems: Problems) -> None:
    word = values.get(name)
    if word is not None and word not in known:
        problems.add(values.at(name), f"the board has no {what} called '{word}'", nearest(word, known))


def _check_points(kind: str, body: Values, points: Points, problems: Problems) -> None:
    if kind in ("leads", "apply") and (name := body.get("input")) is not None and name not in points.inputs:
        problems.add(body.at("input"), f"the board has no input called '{name}'", nearest(name, points.inputs))
    if kind == "resistance":
        check_resistance_points(body, points.tree, problems)
    for entry in body.many("points") if kind in WITH_POINTS else ():
        _check_point(entry, entry.value, points, problems)
    for entry in body.many("what") if kind == "log" else ():
        if (name := check_channel(entry, points.all, points.inputs, problems)) is not None:
            _check_point(entry, name, points, problems)
    _check_twice(body, "points" if kind in (*WITH_POINTS, "resistance") else "what", problems)


def _check_point(entry: Entry, name: str, points: Points, problems: Problems) -> None:
    if name not in points.all:
        problems.add(entry.node, f"the board has no rail or input called '{name}'", nearest(name, points.all))


def _check_twice(body: Values, field: str, problems: Problems) -> None:
    seen: set[str] = set()
    for entry in body.many(field):
        if entry.value in seen:
            problems.add(entry.node, f"'{entry.value}' stands twice in this step")
        seen.add(entry.value)


def _check_only_if(body: Values, points: Points | None, earlier: Sequence[str], problems: Problems) -> None:
    only_if = body.section_in("only_if")
    if only_if is None:
        return
    if points is not None:
        _check_word(only_if, "board_state", points.states, "board state", problems)
        _check_word(only_if, "variant", points.variants, "variant", problems)
    step = only_if.get("step")
    if step is not None and step not in earlier:
        message = f"no earlier step is called '{step}'"
        problems.add(only_if.at("step"), message, nearest(step, earlier) if earlier else "give that step a `name`")
    if ("step" in only_if) != ("result" in only_if) and not {"step", "result"} & only_if.wrong:
        problems.add(only_if.node, "`step` and `result` go together", "such as {step: first look, result: pass}")


def _check_expect(kind: str, body: Values, points: Points | None, problems: Problems, field: str = "expect") -> None:
    entry = body.entries.get(field)
    if entry is None or kind in ("question", "listen"):
        return
    # What a step reads, by the name under which its limits are stated.
    units = _units(kind, body, points)
    if isinstance(entry.value, Limits):
        for name, unit in units.items():
            # One for all is one for all that `what` names: temperatures have limits by name only.
            if entry.value.unit != unit and kind == "log" and name not in temperatures_of(body):
                _wrong_unit(entry, entry.value, unit, name, problems)
                break
        return
    for name, one in entry.value.items():
        if name not in units and (points is not None or units):
            problems.add(one.key, f"this step does not read '{name}'", nearest(name, units))
        elif name in units and one.value.unit != units[name]:
            _wrong_unit(one, one.value, units[name], name, problems)


def _wrong_unit(entry: Entry, limits: Limits, unit: str, name: str, problems: Problems) -> None:
    message = f"'{limits.text}' is in {UNIT_WORDS[limits.unit]}, but {name} is read in {UNIT_WORDS[unit]}"
    problems.add(entry.node, message)


def _units(kind: str, body: Values, points: Points | None) -> dict[str, str]:
    if kind == "log":
        known = () if points is None else points.all
        channels = [as_meant(text, known) for text in body.get("what", ())]
        temperatures = dict.fromkeys(temperatures_of(body), UNIT_OF[Kind.TEMPERATURE])
        return {channel.text: UNIT_OF[channel.kind] for channel in channels} | temperatures
    if kind == "leads":
        return {body.get("input", ""): "V"}
    if kind == "resistance":
        return dict.fromkeys(read_in(body), "ohm")
    if kind in ("sweep", "power_cycle"):
        return dict.fromkeys(body.get("rails", (body.get("load", ""),)), "V")
    return dict.fromkeys(body.get("points", ()), "V")


def _check_question(body: Values, problems: Problems) -> None:
    choices, expect, unit = body.get("choices"), body.get("expect"), body.get("unit")
    for entry in body.many("good"):
        if choices is None:
            problems.add(entry.node, "`good` without `choices`", "list the choices, or judge a value by `expect`")
            break
        if entry.value not in choices:
            problems.add(entry.node, f"'{entry.value}' is not among the choices", nearest(entry.value, choices))
    if choices is not None and (expect is not None or unit is not None):
        problems.add(body.at("choices"), "a question has either `choices` or a value with `unit` or `expect`")
    if isinstance(expect, dict):
        problems.add(body.at("expect"), "a question has one value, so one `expect`")
    elif expect is not None and unit is not None and expect.unit != unit:
        message = f"the answer is asked for in {UNIT_WORDS[unit]}, its limits are in {UNIT_WORDS[expect.unit]}"
        problems.add(body.at("expect"), message)


def _check_program(body: Values, problems: Problems) -> None:
    known = ", ".join(f"{{{word}}}" for word in MARKERS)
    for index, entry in enumerate(body.many("program")):
        word, pasted = marker_of(entry.value), pasted_marker(entry.value)
        if not entry.value.strip() and index == 0:
            problems.add(entry.node, "the program has no name")
        elif pasted is not None:
            message = f"{{{pasted}}} stands inside an argument, and is never pasted into one"
            problems.add(entry.node, message, f"make it an argument of its own, or read BRINGUP_{pasted.upper()}")
        elif word is not None and (word not in MARKERS or index == 0):
            problems.add(entry.node, f"{{{word}}} stands for nothing here", f"what there is: {known}")
        elif word == "loads" and "loads" not in body:
            problems.add(entry.node, "{loads} without a file in `loads`", "name the file there")


def _check_apply(body: Values, problems: Problems) -> None:
    check = body.get("short_check")
    if check is not None and check.value > SHORT_CHECK_MOST:
        problems.add(body.at("short_check"), f"a short check at {check} is not harmless", "1 V or less")
    expected, limit = body.get("expect_current"), body.get("current_limit")
    if expected is not None and limit is not None and expected.high is not None and expected.high > limit.value:
        message = f"the current limit of {limit} lies below the highest current expected ({expected.text})"
        problems.add(body.at("current_limit"), message)
    trip = body.get("trip_current")
    if expected is not None and trip is not None and expected.high is not None and expected.high >= trip.value:
        message = f"trip_current of {trip} lies within what is expected ({expected.text})"
        problems.add(body.at("trip_current"), message)
    voltages = body.many("then")
    over = body.get("over_voltage")
    if over is not None and voltages and max(entry.value.value for entry in voltages) >= over.value:
        problems.add(body.at("over_voltage"), f"over_voltage of {over} lies at or below a voltage of this step")
