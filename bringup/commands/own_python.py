"""Starts programs of our own as this very Python runs them, whatever the current folder holds."""

from __future__ import annotations

import sys
from pathlib import Path


def own_command(code: str, *arguments: str) -> list[str]:
    """Return the command line that runs `code` with our own search path, without the current folder.

    `-m` would look into the current folder first: a folder there that is named like this package is taken for it where
    the package is not found by the search path but by a finder that comes later, as in an editable install.
    """
    path = [entry for entry in sys.path if entry]
    ours = str(Path(__file__).absolute().parents[2])
    path += [ours] if ours not in path else []
    return [sys.executable, "-P", "-c", f"import sys; sys.path[:] = {path!r}; {code}", *arguments]
