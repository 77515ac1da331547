"""The way out for text that a command prints: what instruments, files and people put into it no terminal obeys.

Commands print with `say`, never with click.echo; JSON goes through `print_json` in common.py.
"""

from __future__ import annotations

import io

import click

from bringup.core.harmless import harmless_lines


def say(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print text, to standard error if `err`; line feeds are kept, other control characters shown."""
    click.echo(harmless_lines(text), err=err, nl=nl)


def say_what_click_found(error: click.ClickException) -> None:
    """Print click's own complaint about a command line: it repeats file names and options as they were given."""
    words = io.StringIO()
    error.show(file=words)
    say(words.getvalue(), err=True, nl=False)
