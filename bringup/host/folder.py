"""The per-user folders: for what lives as long as a process (locks, control addresses), and for what must last.

The first is `BRINGUP_STATE` if that is set, else a folder in `XDG_RUNTIME_DIR`, else one in the system's temporary
folder. Nobody else may look in.
"""

from __future__ import annotations

import os
import stat
import tempfile
from pathlib import Path

from bringup.errors import BenchError


def state_folder() -> Path:
    """Return the folder, made if need be. Raises BenchError where it cannot be had or is not ours alone."""
    folder = _place()
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.lstat()
    except OSError as error:
        raise BenchError(
            f"the folder for bench locks cannot be made: {folder}: {error.strerror}",
            "Set BRINGUP_STATE to a folder of your own on this computer, and to the same one in every terminal.",
        ) from error
    if not stat.S_ISDIR(found.st_mode) or not _ours_alone(found):
        raise BenchError(
            f"the folder for bench locks is not a folder of yours alone: {folder}",
            f"Have it removed, or take away what others may do in it (chmod 700 {folder}).",
        )
    return folder


def _place() -> Path:
    if named := os.environ.get("BRINGUP_STATE"):
        return Path(named)
    if runtime := os.environ.get("XDG_RUNTIME_DIR"):
        return Path(runtime) / "bringup"
    # On Windows the temporary folder is per user already, and there is no user number.
    who = f"-{os.getuid()}" if hasattr(os, "getuid") else ""
    return Path(tempfile.gettempdir()) / f"bringup{who}"


def _ours_alone(found: os.stat_result) -> bool:
    if not hasattr(os, "getuid"):
        return True
    return found.st_uid == os.getuid() and not found.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def lasting_folder(*, make: bool = True) -> Path | None:
    """Return the folder for what must outlast the process and the session, such as rescued readings, made if need be.

    Unless `make`, None where there is none yet.

    It lies in `BRINGUP_STATE` if that is set, else where the system keeps what programs remember for a user
    (`XDG_STATE_HOME` and its default; freedesktop.org's base directory specification, from memory). None where it
    cannot be had: it is a second resort, and must keep nobody from working.
    """
    if named := os.environ.get("BRINGUP_STATE"):
        folder = Path(named) / "lasting"
    elif os.name == "nt":
        folder = Path(os.environ.get("LOCALAPPDATA", str(Path.home() / "AppData" / "Local"))) / "bringup"
    else:
        folder = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "bringup"
    try:
        if make:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.lstat()
    except (OSError, RuntimeError):
        return None
    return folder if stat.S_ISDIR(found.st_mode) and _ours_alone(found) else None
