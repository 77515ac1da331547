"""Standard streams that whoever started us had closed (`<&-`, `>&-`): the null device in their place.

Else Python has None there, and what is opened next, a link or the logbook, gets the number that programs print to.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path


def fill_closed() -> None:
    """Open the null device for each standard stream that is closed: an end of input, and no terminal."""
    for number, (name, mode) in enumerate((("stdin", "r"), ("stdout", "w"), ("stderr", "w"))):
        if getattr(sys, name) is not None:
            continue
        stream = Path(os.devnull).open(mode, encoding="utf-8")  # noqa: SIM115 - for as long as the process lives
        # The lowest free number is the one that is missing; the programs that we start need it as well.
        if stream.fileno() == number:
            os.set_inheritable(number, True)
        setattr(sys, name, stream)
