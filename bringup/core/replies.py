"""Reading what an instrument answered: IEEE 488.2 response data, not-a-number codes, error queue entries."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class ReplyKind(StrEnum):
    """What sort of line answers a query."""

    NUMBER = "number"
    NUMBERS = "numbers"
    INTEGER = "integer"
    BOOLEAN = "boolean"
    ERROR = "error"
    IDENTITY = "identity"
    STRING = "string"
    TEXT = "text"
    BLOCK = "block"


@dataclass(frozen=True, slots=True)
class Value:
    """One number from an instrument. `number` None is no value; `over_range` is +1 or -1 when beyond the range."""

    number: float | None
    raw: str
    resolution: float | None = None
    """Weight of the last digit of the reply."""
    over_range: int = 0
    why: str = ""
    """Why there is no number, for people."""


@dataclass(frozen=True, slots=True)
class ScpiError:
    """One entry of an error queue. Only `code` decides anything."""

    code: int
    text: str
    raw: str


def can_answer(kind: ReplyKind, line: str) -> bool:
    """Whether the line can be the answer to a query of that kind at all."""
    raise NotImplementedError


def read_number(line: str, *, field: int = 0, over_range_from: float = 9.8e37) -> Value:
    """Read one number of a reply (NR1, NR2, NR3, comma list). Never raises: what is no number is no value."""
    raise NotImplementedError


def read_boolean(line: str, words: dict[str, str] | None = None) -> bool | None:
    """Read 0/1, ON/OFF, YES/NO; None for anything else."""
    raise NotImplementedError


def read_error(line: str) -> ScpiError | None:
    """Read an error queue entry by its leading integer; None if there is none."""
    raise NotImplementedError
