"""Any file of ours: its kind found out, read by the reader of that kind, with everything that is wrong with it."""

from __future__ import annotations

from pathlib import Path

from bringup.core.bench import Bench
from bringup.core.board import Board
from bringup.core.dialect import Dialect
from bringup.core.frozen import frozen
from bringup.core.procedure import Procedure
from bringup.errors import FileError, Problem
from bringup.files.bench_file import read_bench
from bringup.files.board_file import read_board
from bringup.files.dialect_file import read_dialect
from bringup.files.nodes import Pairs, Problems, in_order
from bringup.files.procedure_file import read_procedure
from bringup.files.source import KINDS, Opened, kind_of, open_file
from bringup.files.wording import nearest


@frozen
class FileRead:
    """What came of reading a file. `holds` is None where anything is wrong; `problems` are in order of place."""

    path: Path
    kind: str
    """'procedure', 'bench', 'board', 'dialect', or '' where it is none of these."""
    holds: Procedure | Bench | Board | Dialect | None
    problems: tuple[Problem, ...]
    text: str = ""


def read_any(path: Path) -> FileRead:
    """Read a file of any kind. Never raises for what a person wrote, nor for a file that cannot be had."""
    try:
        opened = open_file(path)
    except FileError as error:
        return FileRead(path, "", None, error.problems)
    kind = kind_of(opened.root)
    holds, problems = _read(kind, opened)
    return FileRead(path, kind or "", holds, tuple(in_order(problems)), opened.text)


def _read(kind: str | None, opened: Opened) -> tuple[Procedure | Bench | Board | Dialect | None, list[Problem]]:
    if kind == "procedure":
        return read_procedure(opened)
    if kind == "bench":
        return read_bench(opened)
    if kind == "board":
        return read_board(opened)[1], opened.problems.found
    if kind == "dialect":
        return read_dialect(opened), opened.problems.found
    _report_unknown(opened, opened.problems)
    return None, opened.problems.found


def _report_unknown(opened: Opened, problems: Problems) -> None:
    if opened.root is None:
        return
    words = ", ".join(f"`{kind}:`" for kind in KINDS)
    if not isinstance(opened.root, Pairs) or not opened.root.pairs:
        problems.add(opened.root, "not a file of ours: it is no mapping", f"its first key is one of {words}")
        return
    first = opened.root.pairs[0][0]
    close = nearest(first.text, KINDS)
    problems.add(first, f"not a file of ours: it holds none of {words}", close if close.startswith("did") else "")
