"""A procedure as frozen records: what to do, in order. Reading it from YAML is files.procedure_file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from enum import StrEnum

from bringup.core.beside_log import HeardMark, Temperature
from bringup.core.board import Board
from bringup.core.decision import DecisionRule
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.listening import Listen
from bringup.core.not_placed import NotPlaced
from bringup.core.quantity import Quantity
from bringup.core.reading_time import Fixed
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.words import Kind


@frozen
class Inspect:
    """Things to look at. The person confirms each, or names the exceptions."""

    confirm: tuple[str, ...]
    not_placed: NotPlaced | None = None
    """Parts that the board house did not place; None: nothing is asked about these."""

    @property
    def items(self) -> tuple[str, ...]:
        """Everything to look at, in words."""
        parts = () if self.not_placed is None else self.not_placed.parts
        return (*self.confirm, *(f"not placed: {part}" for part in parts))

    @property
    def and_parts(self) -> str:
        """What is asked about parts, in a few words; '' for nothing."""
        return "" if self.not_placed is None else f", {self.not_placed.in_short}"


@frozen
class Question:
    """Something to ask. With `choices`, one of them; with limits (the step's `expect`), a value; else free text.

    `good` names the choices that pass; empty means every answer is only recorded.
    """

    ask: str
    choices: tuple[str, ...] = ()
    good: tuple[str, ...] = ()
    unit: str = ""


@frozen
class Note:
    """A text put into the unit's history and shown."""

    text: str

    @property
    def said(self) -> str:
        """What it does, in a few words."""
        return f"note: {self.text}"


@frozen
class TakePhoto:
    """A photo of something: the next picture in a folder, a file, or the file that the person names."""

    of: str
    folder: str = ""
    """Watched for a new picture. Like `file`, which is read as it is, it counts from the procedure's folder."""
    file: str = ""
    within: Quantity | None = None
    """How long the picture may take. None: as long as it takes."""

    @property
    def said(self) -> str:
        """What it does, in a few words."""
        where = f", the next in {self.folder}" if self.folder else f", {self.file}" if self.file else ""
        return f"photo of {self.of}{where}"


@frozen
class Leads:
    """Signed volts at the free ends of an input's supply leads, board unconnected, supply at its final voltage."""

    input: str
    current_limit: Quantity | None = None


@frozen
class Apply:
    """Power an input: a short check at 1 V or less, then the voltages in `then`, in order."""

    input: str
    then: tuple[Quantity, ...]
    current_limit: Quantity
    short_check: Quantity | None = None
    expect_current: Limits | None = None
    """Judges the last voltage; the power budget judges the ones before."""
    limit_time: Quantity | None = None
    """How long current limit may last; default twice C * dV / I, at least 200 ms."""
    trip_current: Quantity | None = None
    """Default: twice the expected maximum."""
    over_voltage: Quantity | None = None
    """Level of the supply's own protection; default: between what is needed and `damage_above`."""
    time_to_regulation: tuple[str, ...] = ()
    """Rails that the meter reads in turn while the input is raised over the start voltages."""
    hold: Quantity | None = None
    """How long to stay at each voltage before going on, once settled."""


@frozen
class Measure:
    """Volts at each point, one after the other, each settled. Limits: the step's `expect`, else the board's."""

    points: tuple[str, ...]
    fixed: Fixed | None = None


@frozen
class Channel:
    """One logged quantity: volts at a point, or volts, amps or watts as the supply or the load reports them."""

    point: str
    kind: Kind
    text: str
    """As written, such as 'VIN current'."""
    by_load: bool = False
    """Whether the electronic load at the point reports it; otherwise the supply (of an input) or the meter."""


class Pace(StrEnum):
    """Where the time between two samples of a `log` comes from."""

    STATED = "stated"
    USUAL = "usual"
    """Left out: what instruments keep."""
    BY_HAND = "by hand"
    """Left out: what a person keeps (core.pacing)."""
    OWN = "own pace"
    """As fast as the instruments answer."""


@frozen
class Log:
    """Repeated readings of one or more quantities. Every sample must lie within the step's `expect`."""

    what: tuple[Channel, ...]
    duration: Quantity
    every: Quantity
    """At their own pace: the least time between two samples."""
    pace: Pace = Pace.STATED
    judging: Mapping[str, Mapping[str, Limits]] = field(default_factory=dict)
    """Limits of statistics of their own: statistic -> channel as written ("" for all) -> limits."""
    marks: tuple[tuple[str, Quantity], ...] = ()
    """What happens on the board, and how long after the start."""
    heard: tuple[HeardMark, ...] = ()
    """What sets a mark whenever the board says it."""
    temperatures: tuple[Temperature, ...] = ()
    temperatures_every: Quantity | None = None
    """Time between two of each; the first is due at the start, the last at the end."""


@frozen
class Sink:
    """Have the electronic load draw from a point, or, without a level, no longer."""

    rail: str
    """Rail or input."""
    mode: str = ""
    """'current', 'resistance' or 'power'."""
    level: Quantity | None = None
    stop_voltage: Quantity | None = None
    """Below this it stops drawing by itself."""
    settle: Quantity | None = None
    """Time from on to the look that is judged."""


@frozen
class Dwell:
    """Wait, with the supply watched."""

    duration: Quantity


@frozen
class PowerOff:
    """Switch off, verify, and wait until the input (and what can be probed unattended) is discharged."""

    discharged_below: Quantity | None = None


@frozen
class HostProgram:
    """A program on this computer, such as one that loads firmware. Never through a shell: the arguments are a list."""

    program: tuple[str, ...]
    """The program and its arguments. One that is a marker, such as `{serial}`, stands for that value, whole."""
    time_out: Quantity
    exit_code: int = 0
    """What it must end with."""
    contains: tuple[str, ...] = ()
    """What its output must hold."""
    loads: str = ""
    version: str = ""
    """File that it loads into the board, and that file's version as stated: kept with its SHA-256."""


Powering = Resistance | Leads | Apply | Measure | Log | Sink | Sweep | Ripple | PowerCycle | Dwell | PowerOff
Action = Inspect | Question | Note | TakePhoto | Powering | HostProgram | Listen

ACTION_NAMES: dict[type, str] = {
    Inspect: "inspect",
    Question: "question",
    Note: "note",
    TakePhoto: "photo",
    Resistance: "resistance",
    Leads: "leads",
    Apply: "apply",
    Measure: "measure",
    Log: "log",
    Sink: "load",
    Sweep: "sweep",
    Ripple: "ripple",
    PowerCycle: "power_cycle",
    Dwell: "dwell",
    PowerOff: "power_off",
    HostProgram: "host_program",
    Listen: "listen",
}
"""The key that names each action in a procedure."""


class OnLost(StrEnum):
    """What becomes of a step whose meter is lost. The supply is watched on in each case."""

    END = "end"
    """The attempt ends, broken off."""
    WAIT = "wait"
    """It is tried again, ever more seldom, until it answers or the person calls off."""
    GO_ON = "go_on"
    """What it should have read has no value."""


@frozen
class OnlyIf:
    """When a step is to be done. Every stated condition must hold; otherwise the step is left out, saying why."""

    attended: bool | None = None
    board_state: str | None = None
    variant: str | None = None
    step: int | None = None
    """Index (from 0) of an earlier step ..."""
    result: str | None = None
    """... that must have had this result: 'pass' or 'fail'."""


@frozen
class Step:
    """One entry of a procedure: one action and everything about it."""

    index: int
    action: Action
    name: str = ""
    """Its own short name, by which `only_if` of a later step refers to it."""
    title: str = ""
    expect: Mapping[str, Limits] = field(default_factory=dict)
    """Stated limits per point or channel; the key "" serves all of the step's points."""
    end_on_fail: bool = True
    only_if: OnlyIf | None = None
    cautions: tuple[str, ...] = ()
    board_state: str | None = None
    """From this step on, the board is in this state."""
    irreversible: bool = False
    """Asked for with the serial number, done once on a unit, and only with every rail passed."""
    steady: float | None = None
    """Part of their values by which what is read in this step may creep; None: it may creep."""
    end_on_creep: bool = False
    """`on_creep: end`; otherwise a creep is a warning."""
    decision_rule: DecisionRule | None = None
    on_lost: OnLost = OnLost.END
    not_built: str = ""
    """Why nothing of it is left on this unit's variant."""
    line: int = 0
    column: int = 0

    @property
    def kind(self) -> str:
        """The action's name as written in the file."""
        return ACTION_NAMES[type(self.action)]


@frozen
class Procedure:
    """A procedure with the board it is for."""

    name: str
    board: Board
    steps: tuple[Step, ...]
    unattended_after_first_power: bool = False
    """`unattended: after first power`; otherwise `never`."""
    answer_within: Quantity | None = None
    """How long a question may stay open while an output is on; then all go off. None: as long as it takes."""
    board_state: str | None = None
    """State of the board when the procedure starts; default: the board's first state."""
    path: str = ""
