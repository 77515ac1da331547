"""A file as it lies on the disk: its text, its kind by the first key it holds, and the nodes in it."""

from __future__ import annotations

from codecs import BOM_UTF8
from pathlib import Path

from bringup.core.frozen import frozen
from bringup.core.not_placed import Unplaced
from bringup.core.procedure import Inspect, Procedure
from bringup.errors import FileError, Problem
from bringup.files.composing import compose
from bringup.files.nodes import Node, Pairs, Problems
from bringup.runner.records import SourceText

LARGEST = 250_000
"""Bytes. Files of ours are a few kilobytes; a larger one is something else, given by mistake."""

KINDS = ("procedure", "bench", "board", "dialect")
"""Every kind of file, in the order in which its top keys are looked for (a procedure holds `board:` too)."""

_TELLING = {
    "procedure": ("procedure", "steps", "unattended"),
    "bench": ("bench", "supply", "meter", "simulate", "probing", "scanner", "scope"),
    "board": ("board", "rails", "inputs"),
    "dialect": ("dialect", "operations"),
}
"""Top keys that tell the kind, so that a file that lacks its first one is still taken for what it is."""


@frozen
class Opened:
    """A file, read and composed. `root` is None where the text is no YAML of ours; `problems` say why."""

    path: Path
    text: str
    root: Node | None
    problems: Problems


def read_text(path: Path) -> str:
    """Return the text of a file (UTF-8, with or without a byte order mark). Raises FileError."""
    try:
        if path.is_dir():
            raise _alone(path, "a folder, not a file")
        with path.open("rb") as file:
            raw = file.read(LARGEST + 1)  # a device has no end, whatever it says of its size
        if len(raw) > LARGEST:
            raise _alone(path, f"more than the {LARGEST} bytes that are read", "is this the right file?")
    except FileNotFoundError:
        from bringup.files.nearby import meant

        raise _alone(path, "no such file", meant(path)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _alone(path, f"cannot be read: {reason}") from error
    raw = raw.removeprefix(BOM_UTF8)
    try:
        return raw.decode()
    except UnicodeDecodeError as error:
        before = raw[: error.start]
        line, column = before.count(b"\n") + 1, error.start - (before.rfind(b"\n") + 1) + 1
        message = f"not UTF-8: byte 0x{raw[error.start]:02X}"
        raise FileError([Problem(str(path), line, column, message, "", "save the file as UTF-8")]) from None


def open_file(path: Path) -> Opened:
    """Read and compose a file. Raises FileError only where there is no text at all."""
    return open_text(path, read_text(path))


def open_text(path: Path, text: str) -> Opened:
    """Compose a text that is already at hand; `path` is what its problems name."""
    problems = Problems(str(path), text)
    return Opened(path, text, compose(text, problems), problems)


def read_source(path: Path, kind: str) -> SourceText:
    """Return a file's text for the logbook. Raises FileError."""
    return SourceText(kind, str(path), read_text(path))


def kind_of(root: Node | None) -> str | None:
    """Return which kind of file this is by its top keys, None if by none of them."""
    if not isinstance(root, Pairs):
        return None
    return next((kind for kind in KINDS if any(root.get(key) is not None for key in _TELLING[kind])), None)


def _alone(path: Path, message: str, suggestion: str = "") -> FileError:
    """Return what is wrong with a file as a whole: no place in it is to blame."""
    return FileError([Problem(str(path), 0, 0, message, "", suggestion)])


def report_other_kind(opened: Opened, wanted: str) -> bool:
    """Say so where a file is, by its top keys, of another kind than the one wanted: then its fields say nothing."""
    kind = kind_of(opened.root)
    if kind is None or kind == wanted:
        return False
    message = f"this is a {kind} file, where a {wanted} file is wanted"
    swapped = "were two files given in the wrong order?"
    inline = "put what stands under its `board:` into a file of its own, and name that file in both"
    opened.problems.add((1, 1), message, inline if (kind, wanted) == ("procedure", "board") else swapped)
    return True


def lists_used(procedure: Procedure) -> list[SourceText]:
    """Return the parts of these files as they were read, for the logbook: one line each, in UTF-8."""
    actions = [step.action for step in procedure.steps]
    lists = [each.not_placed for each in actions if isinstance(each, Inspect) and each.not_placed is not None]
    return [SourceText("parts not placed", each.file, "".join(map(_line, each.parts))) for each in lists if each.file]


def _line(part: Unplaced) -> str:
    return f"{part}{f' [{part.serial}]' if part.serial else ''}\n"
