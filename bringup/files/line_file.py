"""Serial lines of a bench file, and what a simulated board says on them: records, and what must fit together."""

from __future__ import annotations

import re
from collections.abc import Mapping

from bringup.core.serial_line import SOCKET, Adapter, SerialLine
from bringup.core.serial_port import clash
from bringup.core.talk import OTHERWISE, Saying, Talk
from bringup.files.dialect_checks import port_settings
from bringup.files.nodes import Problems
from bringup.files.sections import Values
from bringup.files.shapes import Entry
from bringup.files.voltage_checks import Tree
from bringup.files.wording import nearest

WAYS = ("port", "adapter", "socket")
ROLES = ("supply", "meter", "load", "scanner", "scope")
REAL = "a real serial line in a simulated bench"
HIGHEST_PORT = 65535
_HOLE = re.compile(r"\{([^{}]*)\}")


def read_lines(bench: Values) -> dict[str, SerialLine]:
    """Return the serial lines of a bench file in which nothing is wrong."""
    return {name: _line(name, values) for name, values in bench.sections("serial_lines")}


def _line(name: str, values: Values) -> SerialLine:
    adapter = values.section_in("adapter")
    found = None if adapter is None else Adapter(*(adapter.get(each, "") for each in ("vendor", "product", "serial")))
    return SerialLine(
        name,
        values.get("port", ""),
        found,
        values.get("socket", ""),
        port_settings(values),
        comes_with_power=values.get("comes_with_power", False),
        lent_to_programs=values.get("lent_to_programs", False),
        line=values.node.line,
        column=values.node.column,
    )


def read_talks(simulate: Values) -> dict[str, Talk]:
    """Return what the simulated board says, by serial line."""
    return {name: _talk(values) for name, values in simulate.sections("talks")}


def _talk(values: Values) -> Talk:
    says = {
        entry.key.text: tuple(_saying(each.value) for each in entry.value)
        for entry in values.many("says")
        if entry.key is not None
    }
    return Talk(values.get("powered_by"), says, values.get("answers", {}))


def _saying(values: Values) -> Saying:
    after, every = values.get("after"), values.get("every")
    return Saying(values.get("text"), 0.0 if after is None else after.number, None if every is None else every.number)


def check_lines(bench: Values, resources: Mapping[str, str], problems: Problems) -> None:
    """Report what does not fit together. `resources`: what the instruments are reached by -> their role."""
    simulated = "simulate" in bench or "simulate" in bench.wrong
    taken: dict[str, str] = {}
    for entry in bench.many("serial_lines"):
        values, key = entry.value, entry.key
        assert key is not None, "an entry of a mapping"
        if key.text in ROLES:
            problems.add(key, f"'{key.text}' is a role of the bench", "give the line another name, such as console")
        written = [way for way in WAYS if way in values or way in values.wrong]
        if len(written) > 1 or (not written and not simulated):
            said = f"is reached in {len(written)} ways ({', '.join(written)})" if written else "is nowhere"
            problems.add(entry.at, f"the serial line {key.text} {said}", "exactly one of port, adapter and socket")
        _check_port(values, problems)
        if (socket := values.get("socket")) is not None:
            _check_socket(values, socket, problems, simulated=simulated)
        elif simulated and written:
            problems.add(values.at(written[0]), REAL, f"leave `{written[0]}` out: the line is simulated")
        place = values.get("port") or socket
        role = resources.get(f"ASRL{str(place).removeprefix('COM')}::INSTR".upper())
        if place and (role or place in taken):
            problems.add(values.at(written[0]), f"{place} is where the {role or taken[place]} is", "each has its own")
        if place:
            taken.setdefault(place, key.text)


def _check_port(values: Values, problems: Problems) -> None:
    at_port = {"port", "adapter"} & (set(values.entries) | values.wrong)
    stated = port_settings(values)
    if "serial_port" in values.wrong:
        return
    if not at_port:
        if "serial_port" in values:
            problems.add(values.at("serial_port"), "`serial_port` where there is no port", "leave it out")
        return
    at = values.at("serial_port" if "serial_port" in values else next(iter(at_port)))
    moved = {"rts/cts": "rts", "dtr/dsr": "dtr"}.get(stated.flow or "none", "")
    wanted = (("baud", stated.baud), ("dtr", stated.dtr), ("rts", stated.rts))
    missing = [name for name, value in wanted if value is None and name != moved]
    if line := clash(stated):
        message = f"{stated.flow} flow control moves {line} by itself: it cannot be held as well"
        problems.add(at, message, f"leave `{line}` out, or state another flow")
    elif missing:
        said = " and ".join(missing)
        message = f"`serial_port` does not say {said}: it is the board, and opening a port may reset it"
        problems.add(at, message, "such as serial_port: {baud: 115200, dtr: off, rts: off}")


def _check_socket(values: Values, socket: str, problems: Problems, *, simulated: bool) -> None:
    found = SOCKET.fullmatch(socket)
    if found is None or not 0 < int(found["port"]) <= HIGHEST_PORT:
        problems.add(values.at("socket"), f"'{socket}' is no socket", "HOST:PORT, such as 192.0.2.20:4001")
    elif simulated and not SerialLine("", socket=socket).on_loopback:
        problems.add(values.at("socket"), REAL, "leave `socket` out: the line is simulated")


def check_talks(bench: Values, simulate: Values, board: Values | None, problems: Problems) -> None:
    """Report names that are none. `board` None: it could not be read, so its names are not looked at."""
    lines = [entry.key.text for entry in bench.many("serial_lines") if entry.key is not None]
    talks = [entry.key.text for entry in simulate.many("talks") if entry.key is not None]
    for entry in bench.many("serial_lines"):
        silent = not any(way in entry.value for way in WAYS) and "talks" not in simulate.wrong
        if entry.key is not None and silent and entry.key.text not in talks:
            message = f"the simulated board says nothing on {entry.key.text}"
            problems.add(entry.key, message, "say it in `simulate` under `talks`, by this name")
    for entry in simulate.many("talks"):
        assert entry.key is not None, "an entry of a mapping"
        if entry.key.text not in lines:
            hint = nearest(entry.key.text, lines) if lines else "name it under `serial_lines`"
            problems.add(entry.key, f"the bench has no serial line called '{entry.key.text}'", hint)
        if board is not None:
            _check_names(entry.value, board, problems)


def _check_names(talk: Values, board: Values, problems: Problems) -> None:
    known, states = Tree(board).named, board.get("states", ())
    rail = talk.get("powered_by")
    if rail is not None and rail not in known:
        problems.add(talk.at("powered_by"), f"the board has no rail or input called '{rail}'", nearest(rail, known))
    texts: list[Entry] = [*talk.many("answers")]
    for state in talk.many("says"):
        if state.key is not None and (name := state.key.text) not in (*states, OTHERWISE):
            problems.add(state.key, f"the board has no board state called '{name}'", nearest(name, states))
        texts += [saying.value.entries["text"] for saying in state.value if "text" in saying.value]
    for text in texts:
        for name in _HOLE.findall(text.value):
            if name not in known:
                problems.add(text.node, f"the board has no rail or input called '{name}'", nearest(name, known))
