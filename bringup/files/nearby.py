"""What a person probably meant who named a file that is not there: files of ours with a like name, near at hand."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path

OURS = (".yaml", ".yml")
MOST_LOOKED_AT = 500
"""Directory entries looked at: a folder of pictures is no reason to wait."""
MOST_NAMED = 3
ALIKE = 0.6


def meant(path: Path) -> str:
    """Return 'did you mean 'first-power-on.yaml'?' for a file that is not there; '' where nothing near is like it."""
    import difflib  # only a mistyped name pays for this

    folder = path.parent
    if not folder.is_dir():
        return f"there is no folder {folder}"
    found = dict.fromkeys(islice(_near(folder), MOST_LOOKED_AT))
    exact = [each for each in found if each.name.casefold() == path.name.casefold() or each.stem == path.name]
    stems = {each.stem.casefold(): each for each in reversed(found)}
    close = difflib.get_close_matches(path.stem.casefold(), stems, n=MOST_NAMED, cutoff=ALIKE)
    likely = dict.fromkeys([*exact, *(stems[name] for name in close)])
    named = " or ".join(f"'{each}'" for each in islice(likely, MOST_NAMED))
    return f"did you mean {named}?" if named else ""


def _near(folder: Path) -> Iterator[Path]:
    """Files of ours in a folder, then in the folders in it."""
    below = []
    for each in _entries(folder):
        if each.suffix in OURS:
            yield each
        elif not each.name.startswith(".") and each.is_dir():
            below.append(each)
    for one in below:
        yield from (each for each in _entries(one) if each.suffix in OURS)


def _entries(folder: Path) -> list[Path]:
    try:
        return sorted(islice(folder.iterdir(), MOST_LOOKED_AT))
    except OSError:
        return []
