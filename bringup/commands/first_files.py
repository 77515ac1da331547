"""The three files of `bringup new`: put together from what was stated, checked before they are written, then written.

The current limit comes from a person, else from what the board file itself lets expect, else from common practice.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from bringup.commands.at_terminal import at_a_terminal
from bringup.commands.saving import check_target, save
from bringup.commands.saying import columns, say
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity, parse_quantity
from bringup.core.wording import folded, shown
from bringup.errors import CommandError, ExitCode
from bringup.files.any_file import read_any
from bringup.files.first_files import (
    DEFAULT_LIMIT,
    FirstFiles,
    bench_text,
    board_text,
    making_of,
    procedure_text,
    steps_of_voltage,
)
from bringup.files.rail_list import Net

if TYPE_CHECKING:
    from bringup.commands.new import Stated, Wanted

SUPPLY_VOLTS = {1: 36.0, 2: 36.0, 3: 6.0}
"""What the outputs of the simulated supply give."""
MULTIPLE = 2.0
"""A current limit over what the board should draw (common practice, no source)."""
_NET = re.compile(r"  '?([^ '#][^']*)'?:")
"""How the part of a net begins in a board file."""
NICE = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


class DoesNotFit(CommandError):  # noqa: N818 - nothing went wrong: it is asked again
    """What was stated does not fit together. `nets`: which of them it looks like."""

    def __init__(self, message: str, what_to_do: str = "", nets: Sequence[str] = ()) -> None:
        super().__init__(message, what_to_do)
        self.nets = tuple(nets)


def make(stated: Stated, begin: str, today: date) -> FirstFiles:
    """Put the three files together. Raises DoesNotFit for what a simulated bench cannot serve."""
    inputs = [net for net in stated.nets if not net.source]
    files = FirstFiles(
        stated.board,
        stated.revision,
        stated.pattern,
        stated.nets,
        {net.name: stated.limit or DEFAULT_LIMIT for net in inputs},
        outputs_for(inputs),
        f"{begin}-board.yaml",
        f"{begin}-first-power-on.yaml",
        f"{begin}-simulated-bench.yaml",
        stated_limit=bool(stated.limit),
        written_on=today,
    )
    return _with_currents(files)


def outputs_for(inputs: list[Net]) -> Mapping[str, int]:
    """Give each input an output of the simulated supply. Raises DoesNotFit where that cannot be."""
    left = dict(SUPPLY_VOLTS)
    given = {}
    for net in sorted(inputs, key=lambda one: -_highest(one)):
        fitting = [number for number, most in left.items() if most >= _highest(net)]
        if not fitting:
            raise DoesNotFit(
                f"the simulated supply has no output for {net.name} at {net.volts}: it gives 36 V at two, 6 V at one",
                "Write the files by hand: bringup check --fields board --whole, --fields procedure, --fields bench.",
                [net.name],
            )
        number = min(fitting, key=lambda one: (left[one], one)) if len(inputs) > 2 else fitting[0]  # noqa: PLR2004
        given[net.name] = number
        del left[number]
    return {net.name: given[net.name] for net in inputs}


def _highest(net: Net) -> float:
    return float(net.volts.value if net.limits is None or net.limits.high is None else net.limits.high)


def _with_currents(files: FirstFiles) -> FirstFiles:
    """State what each input should draw, where the board file says enough; and, where nobody stated one, its limit.

    That is twice what the board file lets expect at the lowest working voltage, at least the usual one.
    """
    from dataclasses import replace

    from bringup.core.board import Board
    from bringup.core.budget import expected_current
    from bringup.core.solver import solve

    with tempfile.TemporaryDirectory(prefix="bringup-new-") as folder:
        path = Path(folder) / files.board_file
        path.write_text(board_text(files), encoding="utf-8")
        board = read_any(path).holds
    if not isinstance(board, Board):
        return files  # what is wrong with it is told when all three are checked
    budgets = {net.name: expected_current(board, net.name, float(net.volts.value)) for net in files.inputs}
    expected = {name: _band(each.limits) for name, each in budgets.items() if each.limits is not None}
    files = replace(files, expected=expected)
    if files.stated_limit:
        return files
    lowest = {net.name: parse_quantity(steps_of_voltage(net)[0], "V").number for net in files.inputs}
    drawn = solve(board, lowest).input_amps
    least = parse_quantity(DEFAULT_LIMIT, "A").number
    limits = {name: nice(max(least, MULTIPLE * abs(drawn.get(name, 0.0)))) for name in files.limits}
    return replace(files, limits={name: format_quantity(amps, "A") for name, amps in limits.items()})


def _band(limits: Limits) -> str:
    """Write what an input may draw as a procedure states it."""
    low, high = (None if end is None else shown(float(end), "A", 2) for end in (limits.low, limits.high))
    return f"< {high}" if limits.low is None or limits.low <= 0 else f"{low} .. {high}"


def nice(amps: float) -> float:
    """Return the next round number from there up: 0.12 -> 0.15."""
    power = 10.0 ** (len(str(int(amps))) - 1) if amps >= 1 else 0.1 if amps >= 0.1 else 0.01  # noqa: PLR2004
    return next((round(step * power, 6) for step in NICE if step * power >= amps - 1e-9), amps)


def texts_of(files: FirstFiles, into: Path) -> dict[Path, str]:
    """Return what is written into each file."""
    return {
        into / files.board_file: board_text(files),
        into / files.procedure_file: procedure_text(files),
        into / files.bench_file: bench_text(files),
    }


def write(files: FirstFiles, wanted: Wanted, to_try: str) -> ExitCode:
    """Write all three and say what to do next. Raises CommandError; then nothing was written."""
    texts = texts_of(files, wanted.into)
    force = wanted.force or _agreed(list(texts))
    for path in texts:
        check_target(path, force=force, such_as="--board with another name")
    save(texts, force=force)
    for path in texts:
        say(f"Written: {path}")
    nets = {net.name: net for net in files.nets}
    assumed = [net.name for net in files.rails if making_of(net, nets)[1]]
    if assumed:
        text = f"ASSUMED from the voltages, and marked in the board file: how they are made: {', '.join(assumed)}."
        say(folded(text, columns(None)))
    if not files.stated_limit:
        limits = ", ".join(f"{limit} at {name}" for name, limit in files.limits.items())
        say(folded(f"ASSUMED, and marked in the procedure: the current limit, {limits}.", columns(None)))
    say(f"\nNext, nothing real being touched:\n  {to_try}")
    return ExitCode.PASSED


def _agreed(paths: list[Path]) -> bool:
    """Ask whether files that are there may be replaced; never without a person."""
    there = [str(path) for path in paths if path.exists()]
    if not there or not at_a_terminal():
        return False
    from bringup.commands.bench_find import typed

    return typed(f"{', '.join(there)}: there already. Replace? (y; Enter: keep)").lower() in ("y", "yes")


def refuse_faulty(texts: Mapping[Path, str]) -> None:
    """Refuse what `bringup check` would refuse, before anything is written. Raises DoesNotFit."""
    from bringup.commands.check import check_files

    with tempfile.TemporaryDirectory(prefix="bringup-new-") as folder:
        paths = []
        for path, text in texts.items():
            paths.append(Path(folder) / path.name)
            paths[-1].write_text(text, encoding="utf-8")
        checked = check_files(tuple(paths), None)
        problems = [problem for one in checked for problem in one.problems]
    if problems:
        told = "\n".join(sorted({str(problem).replace(f"{folder}/", "") for problem in problems}))
        by_name = {path.name: text.splitlines() for path, text in texts.items()}
        blamed = (_net_at(by_name.get(Path(each.path).name, []), each.line) for each in problems)
        what = f"what was stated does not fit together, so nothing was written:\n{told}"
        raise DoesNotFit(what, nets=tuple(dict.fromkeys(filter(None, blamed))))


def _net_at(lines: Sequence[str], line: int) -> str:
    """Return the net of a board file whose part that line is in; '' where it is in none."""
    begun = (_NET.fullmatch(each) for each in reversed(lines[:line]))
    return next((found.group(1) for found in begun if found is not None), "")
