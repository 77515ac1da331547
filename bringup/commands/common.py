"""What several commands share: options, where the logbook and the bench come from, JSON output."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bringup.commands.saying import say
from bringup.errors import BenchError, CommandError

if TYPE_CHECKING:
    from bringup.logbook.server_address import AnyLogbook

F = TypeVar("F", bound=Callable[..., Any])

DEFAULT_LOGBOOK = "bringup.db"


class LogbookFile(click.Path):
    """A logbook that is written to, which is a file: the address of a server is refused, and not repeated."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path. Raises CommandError for an address."""
        if isinstance(value, str) and is_address(value):
            raise needs_file()
        return super().convert(value, param, ctx)


class LogbookAsked(click.Path):
    """A logbook that is only asked: a file, or what was published to a server."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a path, or a Server. Raises CommandError for an address that cannot be read."""
        if isinstance(value, str) and is_address(value):
            from bringup.logbook.server_address import server_of

            return server_of(value)
        return super().convert(value, param, ctx)


def needs_file() -> CommandError:
    """Return the refusal of a server where something is to be written."""
    return CommandError(
        "this needs a logbook of this computer, a file: to a server attempts are published",
        "Name a file with --logbook (or BRINGUP_LOGBOOK); afterwards `bringup publish --to postgresql://...`.",
    )


def file_of(logbook: AnyLogbook) -> Path:
    """Return the file, where a command that also asks is to write. Raises CommandError for a server."""
    if not isinstance(logbook, Path):
        raise needs_file()
    return logbook


def is_address(text: str) -> bool:
    """Whether that names a server and not a file."""
    return text.lower().startswith(("postgresql://", "postgres://"))


def asked_logbook_option(function: F) -> F:
    """Add `--logbook FILE|ADDRESS`; the function receives `logbook: AnyLogbook`, for reading.read."""
    kind = LogbookAsked(dir_okay=False, path_type=Path)
    return _logbook(kind, "The SQLite file that holds everything, or postgresql://... where it was published")(function)


def logbook_option(function: F) -> F:
    """Add `--logbook FILE`; the function receives `logbook: Path`."""
    return _logbook(LogbookFile(dir_okay=False, path_type=Path), "The SQLite file that holds everything")(function)


def _logbook(kind: click.Path, what: str) -> Callable[[F], F]:
    return click.option(
        "--logbook",
        metavar="FILE",
        envvar="BRINGUP_LOGBOOK",
        default=DEFAULT_LOGBOOK,
        show_default=True,
        type=kind,
        help=f"{what} (or BRINGUP_LOGBOOK).",
    )


def bench_option(function: F) -> F:
    """Add `--bench FILE`; the function receives `bench: Path | None`, to be passed to `find_bench`."""
    return click.option(
        "--bench",
        metavar="FILE",
        envvar="BRINGUP_BENCH",
        default=None,
        type=click.Path(dir_okay=False, path_type=Path),
        help="The bench file (or BRINGUP_BENCH, or `bench:` in the user's configuration file).",
    )(function)


def variant_option(function: F) -> F:
    """Add `--variant NAME`; the function receives `variant: str`, empty where it is not given."""
    text = "Assembly variant, one of the board file's."
    return click.option("--variant", metavar="NAME", default="", help=text)(function)


def json_option(function: F) -> F:
    """Add `--json`; the function receives `as_json: bool`."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")(function)


def print_json(data: object) -> None:
    """Print one JSON document. NaN and infinity are refused: they are not JSON."""
    import json

    from bringup.core.harmless import harmless_json

    click.echo(harmless_json(json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False)))


def show_left_messages() -> None:
    """Show what a guardian left for whoever comes next, on standard error, once."""
    from bringup.host.left_messages import at_words, take_messages

    try:
        texts = take_messages()
    except BenchError:
        # No place for messages is no place for locks: whoever needs one says so.
        return
    for text in texts:
        from bringup.core.harmless import harmless_lines

        say(at_words(harmless_lines(text)), err=True)


def configuration_file() -> Path:
    """Return where the user's configuration file is looked for; it need not exist."""
    if named := os.environ.get("BRINGUP_CONFIG"):
        return Path(named)
    if os.name == "nt":
        base = Path(os.environ.get("APPDATA", str(Path.home())))
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME", str(Path.home() / ".config")))
    return base / "bringup" / "bringup.yaml"


def find_bench(bench: Path | None) -> Path:
    """Return the bench file to use; never a guess. Raises CommandError where none is named.

    A relative path in the configuration file counts from that file.
    """
    if bench is not None:
        return bench
    configuration = configuration_file()
    if _is_there(configuration):
        from bringup.files.configuration import bench_of

        named = bench_of(configuration)
        if named is not None:
            return named
    raise CommandError(
        "no bench is named",
        f"Give --bench FILE, set BRINGUP_BENCH, or write `bench: FILE` into {configuration}.",
    )


def _is_there(configuration: Path) -> bool:
    try:
        configuration.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        raise CommandError(
            f"no bench is named, and the configuration file cannot be looked at: {configuration}: {error.strerror}",
            "Give --bench FILE, set BRINGUP_BENCH, or mend what keeps you from that file.",
        ) from error
    return True
