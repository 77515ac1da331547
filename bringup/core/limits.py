"""Limits as a data sheet writes them, and what a value is by them. Computed in decimal, inclusive at their ends."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from bringup.core.words import Result


@dataclass(frozen=True, slots=True)
class Limits:
    """A lower and an upper limit, either of which may be absent, and the nominal value where one was stated."""

    unit: str
    low: Decimal | None = None
    high: Decimal | None = None
    nominal: Decimal | None = None
    text: str = ""
    """As written."""

    def accepts(self, value: float | Decimal) -> bool:
        """Whether the value lies within, ends included, as binary floating point sees them."""
        raise NotImplementedError

    def __str__(self) -> str:
        raise NotImplementedError


def parse_limits(text: str, unit: str | None = None) -> Limits:
    """Read '3.3 V ± 2 %' and every other spelling of design's list. Raises NotationError."""
    raise NotImplementedError


def judge(value: float | None, limits: Limits | None) -> Result:
    """Simple acceptance: pass or fail; `no value` for None, `recorded` without limits."""
    raise NotImplementedError


def deviation_percent(value: float, limits: Limits) -> float | None:
    """Deviation from nominal in percent of its magnitude (negative = nearer zero or below); None without nominal."""
    raise NotImplementedError
