"""The way out for text that a command prints: what instruments, files and people put into it no terminal obeys.

Commands print with `say`, never with click.echo; JSON goes through `print_json` in common.py.
"""

from __future__ import annotations

import io
import os
import sys

import click

QUOTED = "    "
"""What a line of a file begins with, and the mark under it."""
UNKNOWN_WIDTH = 80
"""Columns that are written where nobody says how many there are."""


def columns(unknown: int | None = UNKNOWN_WIDTH) -> int | None:
    """Return how many columns standard output has: COLUMNS, else the terminal's; `unknown` where it is none."""
    stated = os.environ.get("COLUMNS", "")
    if stated.isdecimal() and int(stated):
        return int(stated)
    try:
        return os.get_terminal_size(sys.stdout.fileno()).columns or unknown
    except (OSError, ValueError):
        # A pipe, a file, or whatever stands in for standard output.
        return unknown


def say(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print text, to standard error if `err`; line feeds are kept, other control characters shown."""
    from bringup.core.harmless import harmless_lines  # nothing is printed before the first message of a run

    plain = harmless_lines(text)
    click.echo(_folded_message(plain) if err else plain, err=err, nl=nl)


def _folded_message(text: str) -> str:
    """Break a message at words where standard error is a terminal; lines that are quoted (set in) stay as they are."""
    try:
        width = os.get_terminal_size(sys.stderr.fileno()).columns if sys.stderr.isatty() else 0
    except (OSError, ValueError):
        return text
    from bringup.core.wording import folded

    return "\n".join(line if line.startswith(QUOTED) else folded(line, width or None) for line in text.split("\n"))


def say_what_click_found(error: click.ClickException) -> None:
    """Print click's own complaint about a command line: it repeats file names and options as they were given."""
    words = io.StringIO()
    error.show(file=words)
    say(words.getvalue(), err=True, nl=False)
