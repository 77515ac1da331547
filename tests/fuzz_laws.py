"""The laws that everything obeys which reads what it did not write, and the one who sees to it.

Nothing is raised but what a BringupError says, a case takes at most PATIENCE seconds of the processor, and the memory
stays bounded (a process that reads many cases limits itself). The readers are in tests/fuzzing.py.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any

from hypothesis import strategies as st

from bringup.errors import BringupError

PATIENCE = 2.0
"""Seconds of the processor that one case may take."""
HANG = 60.0
"""Seconds of the clock, however busy the machine is."""


class Broke(AssertionError):  # noqa: N818 - what became of the law
    """A law was broken: by which case, and how."""


@dataclass(frozen=True, slots=True)
class Reader:
    """One parser: what is given to it and how."""

    name: str
    cases: st.SearchStrategy[Any]
    opened: Callable[[], AbstractContextManager[Callable[[Any], None]]]
    """Gives the function that reads one case; what it needs meanwhile is there until the context ends."""


def obey(reader: Reader, read: Callable[[Any], None], case: Any, patience: float = PATIENCE) -> None:
    """Read one case. Raises Broke where a law is broken."""
    begun, worked = time.perf_counter(), time.process_time()
    try:
        read(case)
    except BringupError:
        pass  # what a person or a caller is meant to be told
    except Exception as error:
        raise Broke(f"{reader.name}: {type(error).__name__}: {error} of {shown(case)}") from error
    took, worked = time.perf_counter() - begun, time.process_time() - worked
    if worked > patience or took > HANG:
        raise Broke(f"{reader.name}: worked {worked:.1f} s, took {took:.1f} s over {shown(case)}")


def shown(case: Any) -> str:
    """Return a case for a message: all of a short one, both ends of a long one."""
    text = repr(case)
    return text if len(text) <= 2000 else f"{text[:1000]} ... {text[-1000:]} ({len(text)} characters)"
