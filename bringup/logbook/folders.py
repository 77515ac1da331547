"""Where a logbook may lie. Not on a network folder, where SQLite's locks and write-ahead file cannot be relied on.

On Linux the kernel's table of mounts decides; on macOS and the BSDs the list that `mount` prints, on Windows the
drive type. The latter two are best effort: a kind that is not on the list below is taken for a local disk.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

from bringup.errors import LogbookError

NETWORK_KINDS = frozenset(
    (
        *("afpfs", "cifs", "davfs", "ncpfs", "nfs", "nfs4", "smb3", "smbfs", "sshfs", "webdav"),
        *("afs", "beegfs", "ceph", "coda", "gfs2", "glusterfs", "gpfs", "lustre", "ocfs2"),
        *("9p", "prl_fs", "vboxsf", "vmhgfs"),
    )
)
"""Kinds of file system that another machine serves, or several machines share. `fuse.` in front is ignored."""

_DRIVE_REMOTE = 4


def check_place(path: Path) -> None:
    """Refuse a place where no logbook can be: from its path alone, nothing is opened. Raises LogbookError."""
    folder = path.absolute().parent
    if not folder.exists():
        raise LogbookError(
            f"the logbook {path} cannot be made: there is no folder {folder}",
            "Make the folder first, or name another logbook with --logbook.",
        )
    if not folder.is_dir():
        raise LogbookError(f"the logbook {path} cannot be made: {folder} is not a folder")
    if path.is_dir():
        raise LogbookError(
            f"the logbook {path} is a folder, not a file", "Name a file in it, such as bringup.db, with --logbook."
        )
    if path.exists() and not path.is_file():
        raise LogbookError(f"the logbook {path} is not an ordinary file", "Name another file with --logbook.")
    for ending in ("-wal", "-shm", "-journal"):
        beside = path.with_name(path.name + ending)
        if beside.is_dir():
            raise LogbookError(
                f"the logbook {path} cannot be opened: the folder {beside} is in the way of a file of that name",
                "Rename that folder, or name another logbook with --logbook.",
            )
    kind = network_kind(path.resolve().parent)
    if kind is not None:
        raise LogbookError(
            f"the logbook {path} lies on a network folder ({kind}), where a commit may be lost or the file damaged",
            "Keep it on a disk of this computer (--logbook FILE) and copy it afterwards.",
        )


def network_kind(folder: Path) -> str | None:
    """Return the kind of the network file system that `folder` (existing) lies on, or None."""
    real = folder.resolve()
    platform: str = sys.platform
    if platform == "linux":
        return network_mount(real, Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="replace"))
    if platform == "win32":
        return _network_drive(real)
    return _network_volume(real, _mount_list())


def network_mount(real: Path, mountinfo: str) -> str | None:
    """Find the mount that holds `real` in the text of /proc/self/mountinfo (proc(5)); its kind if of the network.

    Of mounts on the same point the last one counts: it lies on top.
    """
    best, kind = -1, ""
    for line in mountinfo.splitlines():
        fields, _, rest = line.partition(" - ")
        words = fields.split()
        if len(words) < 5 or not rest:  # noqa: PLR2004 - the mount point is the fifth field
            continue
        if not str(real).startswith(words[4].partition("\\")[0]):
            continue  # before any character that is written as its number
        point = Path(re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), words[4]))
        if real.is_relative_to(point) and len(point.parts) >= best:
            best, kind = len(point.parts), rest.split()[0]
    return _if_network(kind)


def _if_network(kind: str) -> str | None:
    short = kind.removeprefix("fuse.").removesuffix("-fuse")
    return kind if short in NETWORK_KINDS else None


def _mount_list() -> str:
    import subprocess

    done = subprocess.run(["/sbin/mount"], capture_output=True, text=True, timeout=5, check=False)
    return done.stdout


def _network_volume(real: Path, listing: str) -> str | None:
    """Read lines such as '//user@host/share on /Volumes/share (smbfs, nodev, nosuid)'."""
    best, kind = -1, ""
    for line in listing.splitlines():
        match = re.fullmatch(r".+ on (/.*) \(([^,)]+).*\)", line)
        if match and real.is_relative_to(match[1]) and len(Path(match[1]).parts) >= best:
            best, kind = len(Path(match[1]).parts), match[2]
    return _if_network(kind)


def _network_drive(real: Path) -> str | None:
    if real.drive.startswith("\\\\"):
        return "network share"
    import ctypes

    kernel = getattr(ctypes, "windll").kernel32  # noqa: B009 - the name exists on Windows only
    return "network drive" if kernel.GetDriveTypeW(real.drive + "\\") == _DRIVE_REMOTE else None
