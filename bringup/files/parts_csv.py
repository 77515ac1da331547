"""The list of parts that a board house did not place, as a CSV file: any delimiter, columns known by their headers.

Read by the standard library. Every row that cannot be read is a problem at file:line; nothing is passed over silently.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path

from bringup.core.not_placed import Unplaced
from bringup.core.placement import designators
from bringup.errors import FileError, NotationError, Problem
from bringup.files.source import LARGEST

DELIMITERS = (",", ";", "\t", "|")
NAMED = {
    "part": ("designator", "designators", "refdes", "ref", "refs", "reference", "references", "referencedesignator",
             "position", "part", "parts", "component"),
    "about": ("value", "description", "partnumber", "article", "type"),
    "why": ("reason", "remark", "remarks", "comment", "comments", "note", "notes", "status", "why"),
    "serial": ("serial", "serialnumber", "serialno", "sn", "unit"),
}  # fmt: skip
"""What a column holds -> its headers, in small letters without blanks and signs (common practice, no source)."""
UTF_16 = (b"\xff\xfe", b"\xfe\xff")


def read_parts(path: Path) -> tuple[Unplaced, ...]:
    """Return the parts of the file, in its order. Raises FileError with every row that cannot be read."""
    text = _text(path)
    lines = text.splitlines()
    header, delimiter, columns = _header(path, lines)
    problems: list[Problem] = []
    parts: list[Unplaced] = []
    reader = csv.reader(io.StringIO("\n".join(lines[header:])), delimiter=delimiter, strict=True)
    try:
        for row in reader:
            line = header + reader.line_num
            if line > header + 1 and any(cell.strip() for cell in row):
                parts += _row(path, line, row, columns, problems)
    except csv.Error as error:
        problems.append(_problem(path, header + reader.line_num, f"not to be read as CSV: {error}", "check its quotes"))
    if not problems and not parts:
        problems.append(_problem(path, header + 1, "no part stands below the headers", "leave the file out"))
    if problems:
        raise FileError(problems)
    return tuple(parts)


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST + 1)
    except OSError as error:
        raise FileError([_problem(path, 0, f"cannot be read: {error.strerror or error}", "")]) from None
    if len(raw) > LARGEST:
        raise FileError([_problem(path, 0, f"more than the {LARGEST} bytes that are read", "is this the right file?")])
    encoding = "utf-16" if raw.startswith(UTF_16) else "utf-8-sig"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        message = f"neither UTF-8 nor UTF-16: byte 0x{raw[error.start]:02X}"
        raise FileError([_problem(path, line, message, "save it as CSV in UTF-8")]) from None
    if "\0" in text:
        raise FileError([_problem(path, text[: text.index("\0")].count("\n") + 1, "a byte of zero: no text", "")])
    return text


def _header(path: Path, lines: Sequence[str]) -> tuple[int, str, dict[str, int]]:
    """Return the index of the line with the headers, the delimiter, and the column of each thing that is known."""
    for index, line in enumerate(lines):
        for delimiter in DELIMITERS:
            try:
                cells = next(csv.reader([line], delimiter=delimiter), [])
            except csv.Error as error:
                message = f"not to be read as CSV: {error}"
                raise FileError([_problem(path, index + 1, message, "is this the right file?")]) from None
            columns = _columns(cells)
            if "part" in columns:
                return index, delimiter, columns
    known = ", ".join(NAMED["part"][:5])
    message = "no column for the parts was found, with any of the delimiters , ; | and tab"
    first = next((index for index, line in enumerate(lines) if line.strip()), 0)
    raise FileError([_problem(path, first + 1, message, f"give it a header such as {known}")])


def _columns(cells: Sequence[str]) -> dict[str, int]:
    words = ["".join(letter for letter in cell.casefold() if letter.isalnum()) for cell in cells]
    found: dict[str, int] = {}
    for what, names in NAMED.items():
        place = next((words.index(name) for name in names if name in words), None)
        if place is not None:
            found[what] = place
    return found


def _row(
    path: Path, line: int, row: Sequence[str], columns: dict[str, int], problems: list[Problem]
) -> Iterator[Unplaced]:
    def cell(what: str) -> str:
        place = columns.get(what)
        return " ".join(row[place].split()) if place is not None and place < len(row) else ""

    try:
        named = designators(cell("part"))
    except NotationError as error:
        problems.append(_problem(path, line, error.message, error.what_to_do))
        return
    if not named:
        problems.append(_problem(path, line, "a row without a part", "fill the column in, or leave the row out"))
    for part in named:
        yield Unplaced(part, cell("about"), cell("why"), cell("serial"))


def _problem(path: Path, line: int, message: str, suggestion: str) -> Problem:
    return Problem(str(path), line, 1 if line else 0, message, "", suggestion)
