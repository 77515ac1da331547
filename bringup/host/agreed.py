"""Which programs a person has agreed to run at which bench, remembered over attempts in a file of the user's own.

What is remembered is a hash over the argument vectors alone: another step, limit or title asks nobody again, another
argument or another file of the program's name does. A bench file that named simulated instruments and names real ones
now is another bench.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Sequence
from pathlib import Path

from bringup.errors import CommandError


def hash_of(vectors: Sequence[Sequence[str]]) -> str:
    """Return the SHA-256 over argument vectors, in hexadecimal digits."""
    text = json.dumps([list(vector) for vector in vectors], ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def is_agreed(file: Path, bench: Path, vectors: Sequence[Sequence[str]], *, simulated: bool) -> bool:
    """Whether these programs were agreed to at that bench. A file that cannot be read agrees to nothing."""
    return hash_of(vectors) in _read(file).get(_key(bench, simulated=simulated), [])


def remember(file: Path, bench: Path, vectors: Sequence[Sequence[str]], *, simulated: bool) -> None:
    """Remember that they were. Raises CommandError where that cannot be written."""
    known = _read(file)
    mine = known.setdefault(_key(bench, simulated=simulated), [])
    if (digest := hash_of(vectors)) not in mine:
        mine.append(digest)
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        # Written beside it and put in its place: a file that breaks off would forget everything.
        descriptor, name = tempfile.mkstemp(dir=file.parent, prefix=file.name)
        with os.fdopen(descriptor, "w", encoding="utf-8") as out:
            json.dump(known, out, indent=2)
        Path(name).replace(file)
    except OSError as error:
        raise CommandError(
            f"that these programs were agreed to cannot be remembered: {file}: {error.strerror}",
            "Make that folder writable, or name another configuration file in BRINGUP_CONFIG. Nothing was powered.",
        ) from error


def _key(bench: Path, *, simulated: bool) -> str:
    return f"{'simulated' if simulated else 'real'} {bench.absolute()}"


def _read(file: Path) -> dict[str, list[str]]:
    try:
        said = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    if not isinstance(said, dict):
        return {}
    return {
        bench: [one for one in hashes if isinstance(one, str)]
        for bench, hashes in said.items()
        if isinstance(hashes, list)
    }
