"""`bringup photo SN FILE`: a photo into a unit's history, from a file or a watched folder; and out again."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup.commands.adding import adding, adding_options
from bringup.commands.common import asked_logbook_option, file_of, json_option, print_json
from bringup.commands.saving import written
from bringup.commands.saying import say
from bringup.errors import CommandError, FileError, Problem

if TYPE_CHECKING:
    from bringup.logbook.server_address import AnyLogbook
    from bringup.runner.records import PhotoFile

LOOK_EVERY = 0.5
"""Seconds between two looks into a watched folder; a file that is the same in two of them is whole."""


@click.command("photo")
@click.argument("serial", metavar="[SN]", required=False)
@click.argument("file", metavar="[FILE]", required=False, type=click.Path(path_type=Path))
@click.option("--caption", metavar="TEXT", default="", help="What it shows.")
@click.option(
    "--folder",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="Wait for the next picture that comes into this folder. Ctrl-C ends the wait.",
)
@click.option("--write-out", metavar="ID", help="Write a photo that was kept into a file again (--to).")
@click.option("--to", "target", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path), help="Into this file.")
@click.option("--force", is_flag=True, help="Replace that file if it is there.")
@asked_logbook_option
@adding_options
@json_option
def command(
    serial: str | None,
    file: Path | None,
    caption: str,
    folder: Path | None,
    write_out: str | None,
    target: Path | None,
    force: bool,
    logbook: AnyLogbook,
    by: str | None,
    board: Path | None,
    simulated: str | None,
    as_json: bool,
) -> None:
    """Keep a photo of unit SN in the logbook: FILE, or the next one that comes into --folder.

    JPEG, PNG, GIF and WebP of up to 16 MiB, known by what they hold. The same picture is stored once. `history` names
    photos with their ids; --write-out ID --to FILE gives one back.
    """
    if write_out is not None or target is not None:
        if write_out is None or target is None or serial is not None:
            raise CommandError("--write-out ID and --to FILE go together, without a serial number")
        _write_out(logbook, write_out, target, force=force, as_json=as_json)
        return
    if serial is None:
        raise CommandError("no unit was named", "bringup photo SN FILE; or --write-out ID --to FILE.")
    if (file is None) == (folder is None):
        raise CommandError("a photo comes from a FILE or from --folder, one of the two")
    from bringup.core.deviations import Photo
    from bringup.host.photos import photo_file

    if file is not None and file.is_dir():
        raise CommandError(f"{file} is a folder", "Name a file, or wait for the next one in it with --folder.")
    with adding(file_of(logbook), serial, by, board, simulated) as add:
        from bringup.logbook.additions import of_unit, write
        from bringup.logbook.deviation_statements import photo_statement
        from bringup.logbook.pictures import to_store

        found = photo_file(file) if file is not None else _awaited(folder)
        if found.why:
            raise FileError([Problem(found.path, 0, 0, found.why)])
        for made in to_store(add.logbook.connection, found):
            write(add.logbook, made)
        photo = Photo(Path(found.path).name, caption.strip())
        entered = replace(add.entered, at=datetime.now(UTC))  # it may have been waited for
        write(add.logbook, [photo_statement(entered, photo, found.digest)])
        kept = of_unit(add.logbook, add.unit).photos[-1]
        if as_json:
            print_json(kept.as_json())
        else:
            width, height = found.size
            say(f"photo of {add.unit.named} kept: {photo.file}, {width} x {height} [{kept.origin.id[:8]}]")


def _awaited(folder: Path | None) -> PhotoFile:
    """Wait for a picture that comes into the folder. Raises CommandError where it cannot be looked into."""
    from bringup.host.photos import files_in, photo_file
    from bringup.runner.new_photos import NewPhotos

    assert folder is not None, "asked for with --folder only"
    folder = folder.expanduser()
    news: NewPhotos | None = None
    while True:
        files = files_in(folder)
        if isinstance(files, str):
            raise CommandError(files)
        if news is None:
            news = NewPhotos(files)
            say(f"waiting for a picture in {folder}; Ctrl-C ends the wait", err=True)
        for seen in news.settled(files):
            found = photo_file(Path(seen.path))
            if not found.why:
                return found
            say(found.why, err=True)
        time.sleep(LOOK_EVERY)


def _write_out(logbook: AnyLogbook, beginning: str, target: Path, *, force: bool, as_json: bool) -> None:
    from bringup.logbook.pictures import stored_photo
    from bringup.logbook.reading import read

    photo = read(logbook, lambda connection: stored_photo(connection, beginning))
    with written(target, force=force, such_as=f"photo.{photo.kind}") as fresh:
        fresh.write_bytes(photo.data)
    if as_json:
        told = {"id": photo.id, "serial": photo.serial, "file": photo.file, "format": photo.kind}
        print_json(told | {"written_to": str(target), "bytes": len(photo.data)})
    else:
        say(f"photo {photo.id[:8]} of {photo.serial} ({photo.file}) written to {target}")
