"""What an attempt does between its beginning and its end: the steps of a procedure, or a check of the bench itself."""

from __future__ import annotations

from typing import Protocol


class Walk(Protocol):
    """Something done in parts, one after the other, outputs on or off. Whoever started it switches off in the end."""

    failed: list[str]
    """Sentences for what missed its limits ..."""
    missing: list[str]
    """... and for what has no value."""

    @property
    def under_way(self) -> str:
        """The part that has begun and not ended; '' if there is none."""

    def carry_out(self) -> None:
        """Do every part. Raises whatever ends it before its last one."""

    def close(self) -> None:
        """Say of the parts that were not ended what became of them. Raises LogbookError."""
