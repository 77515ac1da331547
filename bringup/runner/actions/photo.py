"""`photo`: a picture of the unit, from a file, from a watched folder, or from the file that the person names.

Files are read by threads of the edge; every wait is at the wait point, so that the supply is watched throughout. A
picture goes into the logbook in parts, with a look around after each.
"""

from __future__ import annotations

import math
from pathlib import Path

from bringup.core.deviations import Photo
from bringup.core.procedure import TakePhoto
from bringup.runner.endings import NobodyAnswered
from bringup.runner.entering import text_asked
from bringup.runner.key_words import LETTERS
from bringup.runner.new_photos import NewPhotos
from bringup.runner.patience import Undone
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.protocols import Photos
from bringup.runner.records import PhotoFile, Seen
from bringup.runner.work import Work

LOOK_EVERY = 0.5
"""Seconds between two looks into a watched folder."""
PATIENCE = 20.0
"""Seconds after which a disk or a folder counts as not answering."""
TRIES = 5
"""So many names of files are asked for."""
NO_ANSWER = "does not answer"


def take_photo(work: Work, action: TakePhoto) -> None:
    """Keep a picture of what is asked for. Without one the step is incomplete; a simulated bench has no camera."""
    photos, remark = work.setup.photos, ""
    if photos is not None and action.file:
        found = _read(work, photos, _beside_procedure(work, action.file))
        if not found.why:
            keep(work, found, action.of)
            return
        remark = found.why
        work.journal.event("no-photo", remark)
    if photos is None or not work.setup.ask.attended:
        text = remark or f"photo of {action.of}: nobody is here to take it"
        if work.simulated:
            work.journal.event("no-photo", f"no photo of {action.of}: the simulated bench has no camera")
        else:
            work.tally.missing.append(text)
        return
    try:
        taken = _found(work, photos, action, remark)
    except NobodyAnswered as late:
        if work.power.on:
            raise
        work.tally.missing.append(f"photo of {action.of}: {late.cause}")
        return
    if taken is None:
        work.tally.missing.append(f"photo of {action.of}: no picture was named")
    else:
        keep(work, taken, action.of)


def _found(work: Work, photos: Photos, action: TakePhoto, remark: str) -> PhotoFile | None:
    """Wait for the picture, in the folder or by its name. Raises NobodyAnswered where that takes too long."""
    within = math.inf if action.within is None else action.within.number
    until = work.waits.clock.monotonic() + within
    if action.folder:
        taken = _awaited(work, photos, action.of, _beside_procedure(work, action.folder), within)
        if not isinstance(taken, str):
            return taken
        remark = taken
    return _named(work, photos, action.of, remark, until)


def photo_by_key(work: Work) -> None:
    """Ask for a file, or a folder whose newest file it is, and keep it."""
    if work.setup.photos is None:
        work.journal.show("event", "photos cannot be read here", kind="key")
        return
    path = text_asked(work, "Photo: which file, or folder for the newest in it? (Enter alone: none)")
    if not path:
        return
    found = _read(work, work.setup.photos, path)
    if found.why:
        work.journal.show("event", f"{found.why}; no photo was kept", kind="key")
        return
    keep(work, found, text_asked(work, f"{Path(found.path).name}: what does it show? (Enter alone: nothing said)"))


def keep(work: Work, found: PhotoFile, caption: str) -> None:
    """Put it into the logbook, part by part, with the supply watched in between."""
    for _ in work.journal.photo(Photo(Path(found.path).name, caption), found):
        work.waits.look_around()


def _beside_procedure(work: Work, name: str) -> str:
    """Return a path that counts from the procedure's folder."""
    return str(Path(work.setup.procedure.path).parent.absolute() / Path(name).expanduser())


def _read(work: Work, photos: Photos, path: str) -> PhotoFile:
    pending = photos.read(path)
    if not work.waits.until(pending, work.waits.clock.monotonic() + PATIENCE, f"reading {Path(path).name}"):
        return PhotoFile(path, why=f"{path} {NO_ANSWER}")
    return pending.value()


def _look(work: Work, photos: Photos, folder: str) -> tuple[Seen, ...] | str:
    pending = photos.look(folder)
    if not work.waits.until(pending, work.waits.clock.monotonic() + PATIENCE):
        return f"the folder {folder} {NO_ANSWER}"
    return pending.value()


def _awaited(work: Work, photos: Photos, of: str, folder: str, within: float) -> PhotoFile | str:
    """Wait for a new picture in the folder; return why it cannot be looked into, where that is so."""
    left = Undone(work.waits, f"take a photo of {of}", within)
    files = _look(work, photos, folder)
    if isinstance(files, str):
        return files
    news = NewPhotos(files)
    work.journal.show(
        "event", f"take a photo of {of}: waiting for it in {folder} (l leaves the step out)", kind="photo"
    )
    while True:
        work.waits.sleep(LOOK_EVERY)
        left.look()
        files = _look(work, photos, folder)
        if isinstance(files, str):
            return files
        for seen in news.settled(files):
            found = _read(work, photos, seen.path)
            if not found.why:
                return found
            work.journal.show("event", found.why, kind="photo")


def _named(work: Work, photos: Photos, of: str, remark: str, until: float) -> PhotoFile | None:
    """Ask which file it is until one is a picture, or several were none."""
    for _ in range(TRIES):
        lines = (remark,) if remark else ()
        asked = f"Photo of {of}: which file? (l leaves the step out)"
        left = max(0.0, until - work.waits.clock.monotonic())
        typed = work.waits.answer(Prompt(PromptKind.TEXT, asked, lines), within=left).text.strip()
        if typed in LETTERS:
            work.waits.on_key(typed)
            continue
        if not typed:
            remark = "type the name of the file, or l to leave the step out"
            continue
        found = _read(work, photos, typed)
        if not found.why:
            return found
        remark = found.why
    return None
