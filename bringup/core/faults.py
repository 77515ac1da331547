"""Single faults of a board, its leads or its supply connection, as the simulation plants them."""

from __future__ import annotations

from enum import StrEnum

from bringup.core.frozen import frozen


class FaultKind(StrEnum):
    """What is wrong. The text is the key that names it in a bench file's `faults:`."""

    SHORTED_THROUGH = "shorted_through"
    """The point is tied to ground through `value` ohms."""
    NOT_FITTED = "not_fitted"
    """The rail's converter is missing."""
    UPPER_OPEN = "upper_open"
    UPPER_SHORTED = "upper_shorted"
    UPPER_VALUE = "upper_value"
    """The upper feedback resistor is `value` ohms."""
    LOWER_OPEN = "lower_open"
    LOWER_SHORTED = "lower_shorted"
    LOWER_VALUE = "lower_value"
    SWAPPED = "swapped"
    """The two feedback resistors are fitted in each other's place."""
    OTHER_PART = "other_part"
    """A converter of the same kind with another reference of `value` volts (a fixed one: with that output)."""
    PASSES_INPUT = "passes_input"
    """The converter's output is tied to its input: a pass element that is shorted, a part turned round."""
    CAPACITOR_MISSING = "capacitor_missing"
    """The output capacitor is missing: the rail rings and reads noisy."""
    EXCESS_LOAD = "excess_load"
    """An extra `value` amperes from the point to ground."""
    CREEPING_LOAD = "creeping_load"
    """An extra load from the point to ground that grows by `value` amperes every second from its appearance on."""
    LEADS_REVERSED = "leads_reversed"
    """The supply leads are swapped at the board end (point is an input)."""
    WRONG_VOLTAGE = "wrong_voltage"
    """The supply's terminals carry `value` volts whatever was set, its own reading agreeing with the setting."""
    SENSE_OPEN = "sense_open"
    """A remote sense lead is off: terminals about 5 % high (a habit of one supply family)."""
    BACK_FED = "back_fed"
    """Something else (a debug lead) feeds the point with `value` volts through 100 ohm."""
    CHARGED = "charged"
    """The point holds a residual charge of `value` volts at the start."""


@frozen
class Fault:
    """One planted fault at a rail or input. `after`: seconds of output-on time before it appears."""

    point: str
    kind: FaultKind
    value: float | None = None
    after: float = 0.0
    farads: float = 0.0
    """Of a charge: capacitance that holds it beside the point's own, as a backup capacitor does. Else unused."""
    to: str = ""
    """Of SHORTED_THROUGH: the point it is tied to instead of ground. With power on, that counts as ground."""
