"""What was found out about a record, kept for as long as it is asked for again and again.

For functions of one record that holds mappings, and so has no hash, such as a board: kept is what was found for the
very same object. That cannot change, nor may anybody change what is returned. Pure, as the functions must be.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Any, TypeVar

T = TypeVar("T", bound=Callable[..., Any])

MOST = 64
"""What is found beyond that replaces what was not asked for the longest."""


class _Same:
    """A record as a key: equal to itself alone, and held, so that no other one gets its identity."""

    __slots__ = ("record",)

    def __init__(self, record: object) -> None:
        self.record = record

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self.record is other.record

    def __hash__(self) -> int:
        return id(self.record)


def kept(find: T) -> T:
    """Keep the last MOST answers of a function of a record and of what has a hash, none of them named."""

    @lru_cache(maxsize=MOST)
    def found(same: _Same, *rest: Any) -> Any:
        return find(same.record, *rest)

    def ask(record: object, *rest: Any) -> Any:
        return found(_Same(record), *rest)

    result: T = wraps(find)(ask)  # type: ignore[assignment]  # it takes and gives the same
    return result
