"""A lock on an open file that the system lets go of when the process ends, however it ends."""

from __future__ import annotations

import os
import sys

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

_FAR = 2**30
"""Windows locks ranges of bytes: one that nobody writes to."""


def try_lock(descriptor: int) -> bool:
    """Lock the file unless somebody else has it; at once. Closing the file lets go of it."""
    try:
        if sys.platform == "win32":
            os.lseek(descriptor, _FAR, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
