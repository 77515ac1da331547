"""Rows of text set in columns, and where limits come from in a cell: what the parts of the preview share. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bringup.core.words import LimitsFrom

JOINED = "\u00a0"
"""Stands for a blank within a cell of a table, where no line may break."""


def origin_text(origin: LimitsFrom) -> str:
    """Return where limits come from, in words; 'recorded only' where there are none."""
    return origin.value or "recorded only"


def table(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Set rows in columns; columns that hold nothing are left out."""
    if not rows:
        return
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = (cell.replace(" ", JOINED).ljust(width) for cell, width in zip(row, widths, strict=True) if width)
        yield "  ".join(cells).rstrip()
