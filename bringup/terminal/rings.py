"""What the terminal's bell says by how often it strikes. Pure."""

from __future__ import annotations

from enum import StrEnum


class Ring(StrEnum):
    """The bell's four words: how often it strikes says which."""

    TAKEN = "taken"
    FAILED = "failed"
    WANTED = "a key is wanted"
    TRIPPED = "tripped"


STRIKES = {Ring.TAKEN: 1, Ring.FAILED: 2, Ring.WANTED: 3, Ring.TRIPPED: 4}
