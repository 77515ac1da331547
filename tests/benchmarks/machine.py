"""What every benchmark prints of the machine it ran on, and the table it prints its figures in."""

from __future__ import annotations

import os
import platform
import sqlite3
import statistics
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def facts() -> str:
    """Return processor count and load, system, and the versions that matter, in one line."""
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    versions = ", ".join(f"{name} {_version(name)}" for name in ("pyvisa", "pyvisa-py", "numpy"))
    return (
        f"{os.cpu_count()} x {platform.machine()}, load {load:.2f} before, {platform.system()} {platform.release()}, "
        f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}, {versions}"
    )


def as_installed() -> None:
    """Have the processes that are started from here on keep byte code, as an installed tool has it."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def spread(values: Sequence[float], factor: float = 1.0, digits: int = 3) -> str:
    """Return 'median (lowest .. highest)' of values times `factor`."""
    low, middle, high = (factor * each for each in (min(values), statistics.median(values), max(values)))
    return f"{middle:.{digits}f} ({low:.{digits}f} .. {high:.{digits}f})"


def table(rows: Sequence[Sequence[str]]) -> str:
    """Return rows as aligned text; the first is the heading."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = ["  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    lines.insert(1, "  ".join("-" * width for width in widths))
    return "\n".join(lines)
