"""Writing files of a person's: whole or not at all, and never over one that is there unless they said so."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from bringup.commands.leaving import leaving_in_order
from bringup.errors import CommandError


def check_target(path: Path, *, force: bool, such_as: str) -> None:
    """Refuse a file that cannot or must not be written, before anybody answers questions. Raises CommandError."""
    if path.is_dir() or not path.parent.is_dir():
        where = f"{path} is a folder" if path.is_dir() else f"there is no folder {path.parent}"
        raise CommandError(where, f"Name a file to be written, such as {such_as}.")
    if path.suffix != ".yaml":
        raise CommandError(f"{path} does not end in .yaml", f"Name it {path.with_suffix('.yaml')}, for instance.")
    if path.exists() and not force:
        raise CommandError(f"{path} is there already, and is kept", "Name another file, or add --force to replace it.")


def _remove(*paths: Path) -> None:
    """Remove what is there of them. Where even that cannot be done, what is wrong with the folder is told anyway."""
    for path in paths:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)


@contextmanager
def written(path: Path, *, force: bool, such_as: str, another: str = "") -> Iterator[Path]:
    """Give a file beside `path` to write to, which takes its name once all is written; else nothing is left of it.

    `another`: what a person adds to name another file, where it is an option, such as ' with --out'.
    Raises CommandError where it cannot be written, and for a file that is there, unless `force`.
    """
    if path.is_dir() or not path.parent.is_dir():
        where = f"{path} is a folder" if path.is_dir() else f"there is no folder {path.parent}"
        raise CommandError(where, f"Name a file to be written, such as {such_as}.")
    fresh = path.with_name(f".{path.name}.{os.getpid()}.new")
    claimed = False
    try:
        with leaving_in_order():
            if not force:
                path.touch(exist_ok=False)  # the name is ours from here on
                claimed = True
            yield fresh
            with fresh.open("rb+") as done:
                os.fsync(done.fileno())
            fresh.replace(path)
    except BaseException as error:
        _remove(fresh, *([path] if claimed else []))
        if isinstance(error, FileExistsError):
            raise CommandError(
                f"{path} is there already, and is kept", f"Add --force to replace it, or name another file{another}."
            ) from None
        if isinstance(error, OSError) and not isinstance(error, BrokenPipeError):
            raise CommandError(
                f"{path} cannot be written: {error.strerror}", f"Name a file in another folder{another}."
            ) from error
        raise


def save(texts: Mapping[Path, str], *, force: bool) -> None:
    """Write every file whole; nothing is left of any where one cannot be. One that appeared meanwhile is kept, too.

    Raises CommandError.
    """
    claimed: list[Path] = []
    fresh = {path: path.with_name(f".{path.name}.{os.getpid()}.new") for path in texts}
    try:
        if not force:
            for path in texts:
                path.touch(exist_ok=False)  # the name is ours from here on
                claimed.append(path)
        for path, text in texts.items():
            fresh[path].write_text(text, encoding="utf-8")
        for path in texts:
            fresh[path].replace(path)
    except OSError as error:
        _remove(*fresh.values(), *claimed)
        if isinstance(error, FileExistsError):
            appeared = next(each for each in texts if each not in claimed)
            raise CommandError(f"{appeared} has appeared meanwhile, and is kept", "Name another file.") from None
        at = next(iter(texts))
        raise CommandError(f"{at} cannot be written: {error.strerror}", "Name a file in another folder.") from error
