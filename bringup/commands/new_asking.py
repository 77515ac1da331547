"""The questions of `bringup new`: what the options and the CSV do not state. Enter leaves a thing unstated."""

from __future__ import annotations

import re
from collections.abc import Callable

from bringup.commands.bench_find import typed
from bringup.commands.find_text import tell
from bringup.commands.new import Stated, Wanted, check_limit
from bringup.commands.saying import say
from bringup.core.serials import pattern_like
from bringup.errors import BringupError, CommandError, NotationError
from bringup.files.rail_list import Net, net_of, tree_problems

RANGE = "Volts it is to work over, such as 9 V .. 15 V (Enter: not stated)"
Prompt = Callable[[str], str]


def ask_for(wanted: Wanted, nets: tuple[Net, ...], prompt: Prompt = typed) -> Stated:
    """Ask for everything that is not stated yet. Ctrl-C and Ctrl-D: click.Abort, with nothing written."""
    board = wanted.board or _something("Name of the board, such as Buoy lamp", prompt)
    revision = wanted.revision or prompt("Revision (Enter: none)")
    pattern, example = wanted.pattern, wanted.serial
    if not pattern:
        example, pattern = _serial(example, prompt)
    if not nets:
        say("\nInputs: where a supply feeds the board")
        inputs = _several("input", (), prompt)
        say("\nRails, in the order in which power reaches them")
        nets = (*inputs, *_several("rail", inputs, prompt))
    limit = wanted.limit or _limit(prompt)
    return Stated(board, revision, pattern, example, nets, limit)


def _something(question: str, prompt: Prompt) -> str:
    while not (said := prompt(question)):
        say("      it needs a name")
    return said


def _serial(given: str, prompt: Prompt) -> tuple[str, str]:
    """Return a serial number as on the label, and the pattern it stands for; both '' where any will do."""
    while True:
        said = given or prompt("A serial number as on the label, such as LMP-001 (Enter: any will do)")
        if not said:
            return "", ""
        try:
            return said, pattern_like(said)
        except CommandError as error:
            say(f"      {error.message}")
            given = ""


def _several(kind: str, inputs: tuple[Net, ...], prompt: Prompt) -> tuple[Net, ...]:
    """Ask for one net after the other until nothing is typed; at least one."""
    found: list[Net] = []
    while True:
        usual = "VIN" if kind == "input" and not found else ""
        ends = f" (Enter: {usual})" if usual else f" (Enter: no more {kind}s)" if found else ""
        name = prompt(f"Name of the {'next ' if found else ''}{kind}{ends}") or usual
        if not name:
            if found:
                return tuple(found)
            say(f"      at least one {kind}")
            continue
        if any(one.name == name for one in (*inputs, *found)):
            say(f"      {name} is there already")
            continue
        net = _net(name, kind, (*inputs, *found), prompt)
        found.append(net)


def _net(name: str, kind: str, before: tuple[Net, ...], prompt: Prompt) -> Net:
    cells = {"rail": name}
    _cell(cells, "volts", "Its voltage, such as 3.3 V", prompt, needed=True)
    if kind == "input":
        _cell(cells, "tolerance", RANGE, prompt)
    else:
        known = [one.name for one in before]
        usual = known[-1] if len(known) == 1 else ""
        while True:
            source = prompt(f"What feeds it: {', '.join(known)}{f' (Enter: {usual})' if usual else ''}") or usual
            if source not in known:
                say(f"      nothing is called '{source}'")
            elif wrong := list(tree_problems([*before, net_of({**cells, "from": source, "tolerance": "1 %"})])):
                tell([f"      {what}: {to_do}" for _, what, to_do in wrong])
            else:
                break
        cells["from"] = source
        _cell(cells, "tolerance", "Its tolerance, such as 2 % or 66 mV", prompt, needed=True)
        _cell(cells, "load", "What hangs on it draws, such as 25 mA (Enter: not known)", prompt)
        _cell(cells, "damage above", "What damages what hangs on it, such as 3.6 V (Enter: not known)", prompt)
    cells["probe point"] = prompt("Where to put the probe, such as TP1 (Enter: nowhere)")
    return net_of(cells)


def _cell(cells: dict[str, str], name: str, question: str, prompt: Prompt, *, needed: bool = False) -> None:
    """Ask until the answer can be read with what is known of the net by then."""
    while True:
        said = prompt(question)
        if not said and not needed:
            return
        if name == "volts" and re.fullmatch(r"[+-]?[0-9.]+", said):
            said += " V"
        try:
            # An input has no `from`; of a rail it is known, as its tolerance is, when they were asked for.
            net_of({"from": "?", "tolerance": "1 %", **cells, name: said} if name == "volts" else {**cells, name: said})
        except NotationError as error:
            tell([f"      {error.message}. {error.what_to_do}".rstrip()])
            continue
        cells[name] = said
        return


def _limit(prompt: Prompt) -> str:
    while True:
        said = prompt("\nCurrent limit at first power (Enter: from the loads, at least 100 mA)")
        if not said:
            return ""
        try:
            check_limit(said)
        except BringupError as error:
            say(f"      {error.message}")
        else:
            return said
