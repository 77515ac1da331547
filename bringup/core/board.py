"""The board as its designer describes it: inputs, rails in a tree, converters, loads, probe points.

Plain records, all in base units (V, A, ohm, W, s, F). Reading them from YAML is files.board_file; what follows
from them (voltages, currents, limits) is core.solver and core.budget.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import field
from enum import StrEnum

from bringup.core.decision import SIMPLE, DecisionRule
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.quantity import Quantity
from bringup.errors import CommandError


class ConverterKind(StrEnum):
    """How a rail is made from what feeds it."""

    BUCK = "buck"
    BOOST = "boost"
    INVERTING = "inverting"
    """The one that turns the sign over; all others make -5 V from -12 V as they make 5 V from 12 V."""
    LINEAR = "linear"


class Across(StrEnum):
    """Which feedback resistor the reference stands across."""

    LOWER = "lower"
    UPPER = "upper"
    """As in adjustable regulators with three terminals."""


class Tolerances(StrEnum):
    """How the tolerances of parts add up in limits that are computed."""

    WORST_CASE = "worst case"
    ROOT_SUM_SQUARE = "root sum square"


class LoadKind(StrEnum):
    """What stays constant when the voltage moves; the unit of the stated value says which."""

    CURRENT = "current"
    RESISTANCE = "resistance"
    POWER = "power"


@frozen
class Converter:
    """What makes a rail. Tolerances are Limits (nominal with low and high); absent facts are None.

    The output is `reference * (1 + upper / lower) + feedback_current * upper` where the network is stated (magnitude,
    for `inverting`; upper and lower change places where the reference stands across the upper one), else `output`,
    else the rail's nominal voltage.
    """

    kind: ConverterKind
    starts_at: Quantity | None = None
    """Input magnitude at which it starts (rising)."""
    stops_at: Quantity | None = None
    """Input magnitude at which it stops (falling); 90 % of starts_at if absent."""
    soft_start: Quantity | None = None
    efficiency: Quantity | None = None
    """In %; switching converters only."""
    reference: Limits | None = None
    upper: Limits | None = None
    lower: Limits | None = None
    reference_across: Across = Across.LOWER
    feedback_current: Limits | None = None
    """Through the resistor that the reference does not stand across, beside the divider's own; raises the output."""
    output: Limits | None = None
    """Of a part with a fixed output: its own voltage (magnitude) with its tolerance."""
    output_resistance: Quantity | None = None
    dropout: Quantity | None = None
    minimum_load: Quantity | None = None
    """Below this output current the rail may read high; it is then not judged."""
    quiescent: Quantity | None = None
    """Input current of its own."""
    current_limit: Quantity | None = None
    """Output current at which it gives up: switching kinds hiccup, linear ones hold the current."""
    thermal_resistance: float | None = None
    """Junction to ambient, degC per W."""
    max_junction: Quantity | None = None

    @property
    def linear(self) -> bool:
        """Whether what it does not pass on becomes heat in it."""
        return self.kind is ConverterKind.LINEAR


@frozen
class Load:
    """One consumer on a rail or input, with a value per board state. `default` serves the states not named."""

    name: str
    kind: LoadKind
    default: float
    by_state: Mapping[str, float] = field(default_factory=dict)

    def value(self, state: str | None) -> float:
        """Amperes, ohms or watts in that board state; an infinite resistance or 0 means no load."""
        return self.default if state is None else self.by_state.get(state, self.default)


@frozen
class Input:
    """Where a supply feeds the board."""

    name: str
    voltage: Quantity
    working: Limits | None = None
    """The range over which the board is meant to work (`range:` in the file)."""
    damage_above: Quantity | None = None
    ac: Quantity | None = None
    """RMS volts that it carries beside its DC; what hurts a person, no part of what is worked out."""
    probe: str = ""
    capacitance: Quantity | None = None
    loads: tuple[Load, ...] = ()
    source_resistance: Quantity | None = None
    """What the meter sees into this point while it is powered: its own input loads that."""
    unpowered_resistance: Quantity | None = None
    ground: Limits | None = None
    stays_live: Limits | None = None
    cell: str = ""
    """'lithium' or 'other' where a cell or battery is on it."""
    after: tuple[str, ...] = ()
    """Inputs that must be on before this one."""
    parts: tuple[str, ...] = ()
    """Reference designators of parts on this net, as far as the file names them."""
    decision_rule: DecisionRule | None = None
    """How readings of it are judged; None: as the board says."""


@frozen
class Rail:
    """A net with a probe point. `source` names an input or another rail; converter None means a plain connection."""

    name: str
    source: str | None
    """None only in a tiny board file that says nothing of the tree."""
    probe: str = ""
    expect: Limits | None = None
    converter: Converter | None = None
    loads: tuple[Load, ...] = ()
    capacitance: Quantity | None = None
    source_resistance: Quantity | None = None
    """What the meter sees into this point while it is powered: its own input loads that."""
    unpowered_resistance: Quantity | None = None
    """What an ohmmeter finds from this net to ground on a sound, unpowered board (nominal)."""
    ground: Limits | None = None
    """Limits of that resistance."""
    damage_above: Quantity | None = None
    """By magnitude, also on negative rails."""
    ac: Quantity | None = None
    """RMS volts that it carries beside its DC; what hurts a person, no part of what is worked out."""
    collapse_below: Quantity | None = None
    """By magnitude; 0 V: it may go, as one does that firmware switches. Default: half its lower limit."""
    stays_live: Limits | None = None
    """Volts that may be found on it with the supply off (a cell, a debug lead)."""
    cell: str = ""
    """'lithium' or 'other' where a cell or battery is on it."""
    variants: tuple[str, ...] = ()
    """Assembly variants that have it; empty: all of them."""
    parts: tuple[str, ...] = ()
    """Reference designators of what makes it and stands on its net, as far as the file names them."""
    decision_rule: DecisionRule | None = None
    """How readings of it are judged; None: as the board says."""


@frozen
class Rating:
    """What a part bears at most: volts of what drives it (less `down_to`, through a divider), or amperes of a rail."""

    name: str
    never_above: Quantity
    driven_by: str
    down_to: str = ""
    """The other point it stands against; '': ground."""
    upper: Limits | None = None
    lower: Limits | None = None


@frozen
class Board:
    """A design: one revision of it."""

    name: str
    revision: str
    serial_pattern: str
    inputs: Mapping[str, Input]
    rails: Mapping[str, Rail]
    states: tuple[str, ...] = ()
    """Board states, the first one being how boards come from assembly."""
    variants: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    path: str = ""
    tolerances: Tolerances = Tolerances.WORST_CASE
    """What judges a rail whose limits are computed."""
    decision_rule: DecisionRule = SIMPLE
    ratings: tuple[Rating, ...] = ()
    """Stated ratings of parts, for the margins."""
    ambient: Quantity | None = None
    """The hottest that it is meant to be around the board."""

    def point(self, name: str) -> Input | Rail:
        """Return the input or rail of that name. Raises KeyError."""
        return self.inputs[name] if name in self.inputs else self.rails[name]

    def points(self) -> Iterator[Input | Rail]:
        """Every input, then every rail, in the order of the file."""
        yield from self.inputs.values()
        yield from self.rails.values()

    def fed_from(self, name: str) -> tuple[Rail, ...]:
        """Return the rails whose source is `name`, in the order of the file."""
        return tuple(rail for rail in self.rails.values() if rail.source == name)

    def powered_after(self, name: str) -> tuple[str, ...]:
        """Return the inputs that are to be on only while that one is, those that come after these among them."""
        found: dict[str, None] = {name: None}
        for _ in self.inputs:  # as many rounds are always enough
            found |= {one.name: None for one in self.inputs.values() if found.keys() & set(one.after)}
        return tuple(each for each in self.inputs if each in found and each != name)

    def nets_of(self, part: str) -> tuple[str, ...]:
        """Return the inputs and rails on whose nets the file names that part; empty where it names it nowhere."""
        asked = part.strip().casefold()
        return tuple(point.name for point in self.points() if asked in (name.casefold() for name in point.parts))

    def input_of(self, rail: str) -> str | None:
        """Return the input at the root of that rail's branch, None where the file does not say."""
        seen = set()
        name: str | None = rail
        while name is not None and name not in self.inputs:
            if name in seen or name not in self.rails:
                return None
            seen.add(name)
            name = self.rails[name].source
        return name


def check_serial(serial: str, pattern: str) -> None:
    """Refuse a serial number that does not match the board's pattern as a whole. Raises CommandError."""
    if pattern and re.fullmatch(pattern, serial) is None:
        raise CommandError(
            f"the serial number {serial!r} does not match the board's pattern {pattern}",
            "Check the label on the board; the whole serial number must match.",
        )
