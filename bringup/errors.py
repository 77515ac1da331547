"""Every error that a person may meet, and the exit code each one leads to.

    BringupError                  .message, .what_to_do, .exit_code
      * NotationError             a quantity or limit that cannot be read: the text, the offset, what is permitted (2)
      * CommandError              a wrong command, option or argument (2)
      * FileError                 one or many Problems, each with file:line:column (2)
      * BenchError                no such instrument, another model, held by somebody else (2)
      * SafetyRefused             a step that may not run, found before anything is powered (2)
      * LogbookError              the logbook cannot be opened or written (2; an attempt under way turns it into 3)
      * Stopped                   called off before an attempt began: nothing was powered (3)
      * NoStatistic               values that have no such statistic: too few, all the same, not numbers (2)
      * LinkError                 an instrument that does not answer as it should (3)
    Anything else is a bug in the tool: outputs off, exit code 4.

A missed limit is a result, not an error: it is recorded and leads to exit code 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum
from typing import NamedTuple


class ExitCode(IntEnum):
    """What `bringup` tells the shell."""

    PASSED = 0
    """Passed, or done."""
    FAILED = 1
    """The unit failed, or the attempt is incomplete."""
    REFUSED = 2
    """A wrong command, file or bench: nothing was powered."""
    STOPPED = 3
    """Called off or broken off."""
    BUG = 4
    """A bug in the tool: outputs are off."""


class BringupError(Exception):
    """The base of every foreseeable mistake: catch it to show `message` and `what_to_do` without a traceback."""

    exit_code = ExitCode.REFUSED

    def __init__(self, message: str, what_to_do: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.what_to_do = what_to_do

    def __str__(self) -> str:
        return f"{self.message}\n  {self.what_to_do}" if self.what_to_do else self.message


class NotationError(BringupError):
    """A quantity or limit that cannot be read without guessing. `offset` counts characters into `text`."""

    def __init__(self, message: str, *, text: str, offset: int = 0, what_to_do: str = "") -> None:
        super().__init__(message, what_to_do)
        self.text = text
        self.offset = offset


class CommandError(BringupError):
    """A command, option or argument that makes no sense."""


class Problem(NamedTuple):
    """One fault in a file. `line` and `column` count from 1; `source` is the line as it stands in the file.

    Both are 0 where the file as a whole is meant: one that is not there has no first line.
    """

    path: str
    line: int
    column: int
    message: str
    source: str = ""
    suggestion: str = ""

    def __str__(self) -> str:
        place = f":{self.line}:{self.column}" if self.line else ""
        head = f"{self.path}{place}: {self.message}"
        if self.suggestion:
            head += f" ({self.suggestion})"
        if not self.source.strip():
            return head
        shown = self.source.expandtabs(1).rstrip()
        return f"{head}\n    {shown}\n    {' ' * (self.column - 1)}^"


class FileError(BringupError):
    """Everything that is wrong with a file, at once."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class BenchError(BringupError):
    """The bench is not what its file says, or cannot be had. Nothing was powered."""


class SafetyRefused(BringupError):  # noqa: N818 - a refusal is what it is
    """A step that may not run on this board and bench."""


class NoStatistic(BringupError):  # noqa: N818 - nothing went wrong: there is none
    """These values have no such statistic: too few, all the same, not numbers; or what computes it is not installed."""


class LogbookError(BringupError):
    """The logbook cannot be opened, read or written."""


class Stopped(BringupError):  # noqa: N818 - a person's choice, not a mistake
    """Called off before an attempt began."""

    exit_code = ExitCode.STOPPED


class LinkError(BringupError):
    """An instrument that stopped answering, or answers what it was not asked. Carries who and what was sent."""

    exit_code = ExitCode.STOPPED

    def __init__(self, message: str, *, instrument: str, sent: str = "", what_to_do: str = "") -> None:
        super().__init__(message, what_to_do)
        self.instrument = instrument
        self.sent = sent
