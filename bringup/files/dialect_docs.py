"""What each dialect covers and what that was checked against, as Markdown tables for DEVELOPERS.md."""

from __future__ import annotations

from pathlib import Path

from bringup.core.dialect import Dialect, can_ask, can_tell
from bringup.files.dialect_file import find_dialect, shipped_dialects
from bringup.files.dialect_operations import OPERATIONS


def absent(dialect: Dialect) -> tuple[str, ...]:
    """Return the operations of its role that the dialect has no word for, in the order of the table of fields."""
    return tuple(name for name in OPERATIONS[dialect.role] if name not in dialect.operations)


def tables() -> str:
    """Return a table for each dialect that ships."""
    return "\n\n".join(_table(find_dialect(name, Path())) for name in sorted(shipped_dialects())) + "\n"


def _table(dialect: Dialect) -> str:
    rows: dict[str, list[str]] = {}
    for name in OPERATIONS[dialect.role]:
        if (entry := dialect.operations.get(name)) is not None:
            rows.setdefault(entry.checked_against or dialect.checked_against, []).append(name)
    lines = [
        f"**{dialect.name}** ({dialect.role})",
        "",
        "| checked against | set and read back | only told | only asked |",
    ]
    lines.append("| --- | --- | --- | --- |")
    for checked, names in rows.items():
        told = [name for name in names if can_tell(dialect, name)]
        cells = (
            [name for name in told if can_ask(dialect, name)],
            [name for name in told if not can_ask(dialect, name)],
            [name for name in names if name not in told],
        )
        lines.append("| " + " | ".join([checked, *(", ".join(cell) for cell in cells)]) + " |")
    if missing := absent(dialect):
        lines += ["", "Absent: " + ", ".join(missing) + "."]
    if dialect.variants:
        lines += ["", "Differs on: " + ", ".join(f"`{each.pattern}`" for each in dialect.variants) + "."]
    return "\n".join(lines)
