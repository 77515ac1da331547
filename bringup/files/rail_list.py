"""A list of rails as CSV, as a spreadsheet saves it: one row a rail, and one for each input, which names no `from`.

Columns by their headings, in any order: rail, volts, tolerance, probe point, from; and, where they are known, load,
damage above, ground, converter. What is ambiguous is refused with its line, never guessed.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Protocol

from bringup.core.board import ConverterKind
from bringup.core.frozen import frozen
from bringup.core.limits import Limits, parse_limits
from bringup.core.quantity import Quantity, parse_quantity
from bringup.errors import FileError, NotationError, Problem
from bringup.files.source import read_text
from bringup.files.wording import nearest, trade_word

COLUMNS = ("rail", "volts", "tolerance", "probe point", "from", "load", "damage above", "ground", "converter")
NEEDED = ("rail", "volts")
OTHER_HEADINGS = {"probe": "probe point", "input": "from", "voltage": "volts", "damage": "damage above", "net": "rail"}
SEPARATORS = (",", ";", "\t")
_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")
_TOLERANCE_ALONE = re.compile(r"[0-9.]+\s*[^0-9.\s][^0-9.]*")


class _Wrong(Protocol):
    """Notes what is wrong at a line."""

    def __call__(self, line: int, message: str, suggestion: str = "", cell: str = "") -> None:
        """`cell`: the text in that line that is to blame."""


@frozen
class Net:
    """One row: a rail, or an input where `source` is empty."""

    name: str
    volts: Quantity
    limits: Limits | None = None
    """Of a rail its `expect`, of an input its `range`."""
    probe: str = ""
    source: str = ""
    load: str = ""
    damage_above: str = ""
    ground: str = ""
    converter: str = ""


@frozen
class Row:
    """The cells of a row by the names of their columns, and its line in the file."""

    line: int
    cells: dict[str, str]


def read_rail_list(path: Path) -> tuple[Net, ...]:
    """Read a list of rails. Raises FileError with everything that is wrong with it, each at its line."""
    return rail_list_of(read_text(path), path)


def rail_list_of(text: str, path: Path) -> tuple[Net, ...]:
    """Read the text of such a list; `path` is what its problems name. Raises FileError."""
    lines = text.splitlines()
    found: list[Problem] = []

    def wrong(line: int, message: str, suggestion: str = "", cell: str = "") -> None:
        source = lines[line - 1] if 0 < line <= len(lines) else ""
        at = re.search(rf"(?<![^,;\t\" ]){re.escape(cell)}(?![^,;\t\" ])", source) if cell else None
        found.append(Problem(str(path), line, 1 if at is None else at.start() + 1, message, source, suggestion))

    rows = list(_rows(text, wrong))
    read = [(row.line, net) for row in rows if (net := _net(row, wrong)) is not None]
    nets = [net for _, net in read]
    unread = {row.cells["rail"] for row in rows} - {net.name for net in nets}
    for at, message, what_to_do in tree_problems(nets, unread):
        wrong(read[at][0], message, what_to_do)
    if not found and not nets:
        wrong(1, "no rails", "one row for each input and each rail")
    if found:
        raise FileError(sorted(found, key=lambda one: (one.line, one.column)))
    return tuple(nets)


def net_of(cells: dict[str, str]) -> Net:
    """Return the net that these cells describe. Raises NotationError, its `text` the cell that is wrong."""
    name, source = cells["rail"], cells.get("from", "")
    stated = cells["volts"]
    volts = parse_quantity(f"{stated} V" if _NUMBER.fullmatch(stated) else stated, "V")
    if not volts.value or (not source and volts.value < 0):
        what = "an input's voltage is above 0 V" if not source else "a rail at 0 V is ground"
        raise NotationError(f"{name} is stated as {stated!r}: {what}", text=stated)
    limits = tolerated(volts, cells.get("tolerance", ""))
    if source and limits is None:
        raise NotationError(f"{name} has no tolerance", text=stated, what_to_do="Such as 2 %, or 4.75 V .. 5.25 V.")
    if limits is not None and (limits.low is None or limits.high is None):
        text = cells["tolerance"]
        raise NotationError(
            f"what {name} may read has one end only: {text!r}", text=text, what_to_do="Such as 18 V .. 30 V."
        )
    if not source and limits is not None and limits.low is not None and limits.low <= 0:
        text = cells["tolerance"]  # '12 V' at 12 V is ± 12 V: its low end would be no voltage to work at
        raise NotationError(
            f"{name} would work from {limits.low} V on: {text!r}", text=text, what_to_do="Such as 9 V .. 15 V."
        )
    damage = _magnitude(cells.get("damage above", ""), volts)
    if load := cells.get("load", ""):
        parse_quantity(load, "A")
    if ground := cells.get("ground", ""):
        parse_limits(ground, "ohm")
    return Net(
        name,
        volts,
        limits,
        cells.get("probe point", ""),
        source,
        load,
        damage,
        ground,
        _converter(cells.get("converter", "")),
    )


def _magnitude(stated: str, volts: Quantity) -> str:
    """Return what damages a net as board files state it: by magnitude, so that -5 V is damaged by -6 V or by 6 V."""
    if not stated:
        return ""
    damage = f"{stated} V" if _NUMBER.fullmatch(stated) else stated
    value = parse_quantity(damage, "V").value
    if value < 0 < volts.value:
        raise NotationError(
            f"{damage!r} is below zero, and the voltage above it", text=stated, what_to_do="Such as 3.6 V on 3.3 V."
        )
    return damage.lstrip("-−") if value < 0 else damage


def tolerated(volts: Quantity, tolerance: str) -> Limits | None:
    """Return the limits that a tolerance means: '2 %', '± 66 mV', '+5 % -2 %', '4.75 V .. 5.25 V'; None for none.

    Raises NotationError.
    """
    if not tolerance:
        return None
    if _TOLERANCE_ALONE.fullmatch(tolerance):
        parse_quantity(tolerance)  # '2' without a unit could be volts or percent
        return parse_limits(f"{volts} ± {tolerance}", "V")
    if tolerance.startswith(("±", "+", "-")) and ".." not in tolerance:
        return parse_limits(f"{volts} {tolerance}", "V")
    return parse_limits(tolerance, "V")


def tree_problems(nets: Sequence[Net], unread: Collection[str] = ()) -> Iterator[tuple[int, str, str]]:
    """Say what does not fit together between nets: the index of the one to blame, what is wrong, what to do.

    `unread`: names of nets that are there, but about which nothing more is known.
    """
    known: dict[str, Net] = {}
    for at, net in enumerate(nets):
        if net.name in known:
            yield at, f"'{net.name}' stands in two rows", "one row for each net"
        known.setdefault(net.name, net)
    for at, net in enumerate(nets):
        if net.source and net.source not in known and net.source not in unread:
            yield at, f"no row is called '{net.source}'", nearest(net.source, [one for one in known if one != net.name])
        elif net.source and _goes_round(net, known):
            yield at, f"{net.name} comes from itself, by way of {net.source}", "trace it up to an input"
    if nets and not unread and all(net.source for net in nets):
        yield 0, "no input: every row names what it comes from", "a row whose `from` is empty is an input"
    if nets and not unread and not any(net.source for net in nets):
        yield len(nets) - 1, "only inputs: no row names what it comes from", "say `from` for each rail"


def _goes_round(net: Net, known: dict[str, Net]) -> bool:
    seen, name = {net.name}, net.source
    while name in known and known[name].source:
        if name in seen:
            return True
        seen.add(name)
        name = known[name].source
    return name in seen


def _converter(word: str) -> str:
    if not word:
        return ""
    known = [kind.value for kind in ConverterKind]
    if word.casefold() in known:
        return word.casefold()
    hint = trade_word(word, known) or nearest(word, known)
    raise NotationError(f"no converter is called '{word}'", text=word, what_to_do=hint)


def _rows(text: str, wrong: _Wrong) -> Iterator[Row]:
    """Yield the rows under the headings. Reports rows that have other cells than the headings name."""
    separator = max(SEPARATORS, key=next(iter(text.splitlines()), "").count)
    reader = csv.reader(text.splitlines(keepends=True), delimiter=separator, skipinitialspace=True, strict=True)
    headings: list[str] | None = None
    try:
        for cells in reader:
            plain = [cell.strip() for cell in cells]
            if not any(plain) or plain[0].startswith("#"):
                continue
            if headings is None:
                headings = _headings(plain, reader.line_num, wrong)
                if headings is None:
                    return
                continue
            while len(plain) > len(headings) and not plain[-1]:
                plain.pop()
            if len(plain) > len(headings):
                hint = "is there a decimal comma in it? Write a point" if separator == "," else ""
                wrong(reader.line_num, f"{len(plain)} cells, but the headings name {len(headings)} columns", hint)
                continue
            plain += [""] * (len(headings) - len(plain))
            yield Row(reader.line_num, dict(zip(headings, plain, strict=True)))
    except csv.Error as error:
        wrong(reader.line_num, f"not CSV: {error}", "is a quotation mark not closed?")


def _headings(plain: list[str], line: int, wrong: _Wrong) -> list[str] | None:
    """Return our names of the columns; None, with everything reported, where they cannot be told."""
    names, sound = [], True
    for cell in plain:
        name = " ".join(cell.casefold().replace("_", " ").split())
        name = OTHER_HEADINGS.get(name, name)
        if name not in COLUMNS:
            wrong(line, f"no column is called '{cell}'", nearest(cell, COLUMNS), cell)
            sound = False
        elif name in names:
            wrong(line, f"the column '{name}' stands twice", cell=cell)
            sound = False
        names.append(name)
    for name in NEEDED:
        if name not in names and sound:
            wrong(line, f"no column '{name}'", f"the first line names the columns: {', '.join(COLUMNS[:5])}")
            sound = False
    return names if sound else None


def _net(row: Row, wrong: _Wrong) -> Net | None:
    for name in NEEDED:
        if not row.cells[name]:
            wrong(row.line, f"no {name} in this row")
            return None
    try:
        return net_of(row.cells)
    except NotationError as error:
        cell = error.text if error.text in row.cells.values() else ""
        wrong(row.line, error.message, error.what_to_do.rstrip("."), cell)
        return None
