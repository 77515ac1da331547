"""The words of the job as closed lists: results, outcomes, quantities. Their text is what the logbook stores."""

from __future__ import annotations

from enum import StrEnum

UNSEEN = "taken for a trip, since nobody saw what happened meanwhile"
"""Said of an attempt after which nothing carries over, though nobody knows of a trip."""


class Result(StrEnum):
    """Result of a reading. The conditional ones are those of ILAC-G8:09/2019's non-binary rule (from memory)."""

    PASS = "pass"  # noqa: S105 - a result, not a secret
    CONDITIONAL_PASS = "conditional pass"  # noqa: S105 - a result, not a secret
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NO_VALUE = "no value"
    NOT_JUDGED = "not judged"
    RECORDED = "recorded"


PASSED = (Result.PASS, Result.CONDITIONAL_PASS)
FAILED = (Result.FAIL, Result.CONDITIONAL_FAIL)
"""What counts for a step and an attempt: the conditional results are on the side that their value is on."""
MISSED = (*FAILED, Result.NO_VALUE)
"""What is told as having failed: where nothing answered, the limits were not met either."""


class StepOutcome(StrEnum):
    """What became of a step."""

    DONE = "done"
    LEFT_OUT = "left out"
    NOT_REACHED = "not reached"


class AttemptResult(StrEnum):
    """What became of an attempt."""

    PASSED = "passed"
    FAILED = "failed"
    INCOMPLETE = "incomplete"
    CALLED_OFF = "called off"
    BROKEN_OFF = "broken off"


class Kind(StrEnum):
    """The kind of quantity a reading is of (its VIM 'kind of quantity')."""

    VOLTAGE = "voltage"
    CURRENT = "current"
    RESISTANCE = "resistance"
    POWER = "power"
    TIME = "time"
    FREQUENCY = "frequency"
    TEMPERATURE = "temperature"
    CAPACITANCE = "capacitance"
    RATIO = "ratio"


UNIT_OF: dict[Kind, str] = {
    Kind.VOLTAGE: "V",
    Kind.CURRENT: "A",
    Kind.RESISTANCE: "ohm",
    Kind.POWER: "W",
    Kind.TIME: "s",
    Kind.FREQUENCY: "Hz",
    Kind.TEMPERATURE: "degC",
    Kind.CAPACITANCE: "F",
    Kind.RATIO: "%",
}
"""The one unit in which each kind of quantity is computed, stored and put into JSON."""


class How(StrEnum):
    """How a value came to the tool."""

    READ = "read"
    TYPED = "typed"
    DERIVED = "derived"


class LimitsFrom(StrEnum):
    """Where the limits of a reading came from."""

    PROCEDURE = "stated in the procedure"
    BOARD = "stated in the board file"
    COMPUTED = "computed from the board"
    RULE = "a rule of the tool"
    SISTERS = "sisters that passed"
    """Readings of the same point by the same meter on other units."""
    NONE = ""
