"""What an action works with: the attempt's parts, the step under way, and the ways to keep a reading.

Also the two rules that every action shares: leads move only with every output verified off, and a reading that
misses its limits, or has no value, is remembered for the step's result.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import timedelta

from bringup.core.board import Board
from bringup.core.frozen import frozen
from bringup.core.limits import Limits, judge
from bringup.core.placement import held_back
from bringup.core.procedure import Apply, OnLost, Step
from bringup.core.reading import AT_LEADS, Reading
from bringup.core.replies import Value
from bringup.core.verdict import sentence
from bringup.core.words import FAILED, PASSED, UNIT_OF, How, Kind, LimitsFrom, Result
from bringup.runner.bases import Bases
from bringup.runner.earlier import GoingOn
from bringup.runner.endings import BrokenOff
from bringup.runner.evidence import Evidence
from bringup.runner.hands import Hands, LeadsPlace
from bringup.runner.held import Held
from bringup.runner.journal import Journal
from bringup.runner.lacking import Lacking
from bringup.runner.listening import Listening
from bringup.runner.lost_meter import LostMeter
from bringup.runner.power import Power
from bringup.runner.protocols import Running
from bringup.runner.records import Once, PollSample, UnitHistory
from bringup.runner.roles import Meter
from bringup.runner.setup import AttemptSetup
from bringup.runner.tally import Tally
from bringup.runner.terminals import wait_for_terminals
from bringup.runner.uncertain import decided, with_uncertainty
from bringup.runner.wait import WaitPoint
from bringup.runner.watch import Watch


@frozen
class Settled:
    """What a meter settled at, and the look at the supply beside it."""

    value: Value
    spread: tuple[float, float] | None = None
    """Lowest and highest where it never settled."""
    beside: PollSample | None = None
    limited: bool = False
    """Whether the supply was in current limit meanwhile."""
    rising: bool = False
    """Whether it was still rising, as ohms do over a capacitor."""


@frozen
class Judged:
    """By what a reading is judged. `result` is given where the limits do not settle it (not judged)."""

    limits: Limits | None = None
    limits_from: LimitsFrom = LimitsFrom.NONE
    result: Result | None = None
    note: str = ""
    basis: str = ""
    """How the limits came about, where the board file does not settle that."""
    simply: bool = False
    """Whether no decision rule holds: the tool waits for this value, and goes on once it is within."""


RECORDED = Judged()
"""No limits: the reading is only kept."""


@dataclass(slots=True)
class Work:
    """One attempt at work."""

    setup: AttemptSetup
    waits: WaitPoint
    watch: Watch
    journal: Journal
    power: Power
    hands: Hands
    lines: Listening
    state: str | None
    """The board state that holds now."""
    evidence: Evidence = field(default_factory=Evidence)
    tally: Tally = field(default_factory=Tally)
    lost: LostMeter = field(default_factory=LostMeter)
    held: Held = field(default_factory=Held)
    leads_at: tuple[LeadsPlace, tuple[str, ...]] | None = None
    """Where the supply's leads are, and of which inputs. None: nobody knows yet."""
    history: UnitHistory = field(default_factory=UnitHistory)
    begun: dict[str, Once] = field(default_factory=dict)
    """Irreversible steps that this attempt has begun, by what they are known by."""
    simulated: bool = False
    """Every instrument of this attempt is simulated."""
    unpowered: set[str] = field(default_factory=set)
    """Inputs whose `apply` was left out or ended early: what needs them is left out too."""
    inputs_seen: dict[tuple[str, str | None, float], PollSample | None] = field(default_factory=dict)
    """Inputs measured at the board: input, board state, volts; and what the supply showed beside that."""
    applied: dict[str, tuple[Apply, float]] = field(default_factory=dict)
    """Inputs that were powered: by which action, and the delay of the supply's over-current protection."""
    lacking: Lacking = field(default_factory=Lacking)
    """Which parts the unit lacks, and what that holds back."""
    lead_ohms: float | None = None
    """Ohms of the meter's own leads together, taken off every resistance; None: nobody measured them."""
    volts_explained: int | None = None
    """Step in which it was said why volts are asked for before ohms."""
    step: Step | None = None
    attempt: str = ""
    """The attempt's id, once it has begun."""
    program: Running | None = None
    """The program of this computer that is under way."""
    of_log: dict[str, Callable[[], None]] = field(default_factory=dict)
    """What keys do in the `log` that is going on; empty while there is none."""
    warnings: dict[str, str] = field(default_factory=dict)
    """What does not fail the unit but is told beside the attempt's result, by the point it is about."""
    bases: Bases = field(default_factory=Bases)
    """How the computed limits of points came about."""
    going_on: GoingOn | None = None
    """What is carried over from an earlier attempt; None: everything is done here."""

    @property
    def board(self) -> Board:
        """The board of the procedure."""
        return self.setup.procedure.board

    @property
    def meter(self) -> Meter:
        """The meter. Raises BrokenOff where the bench has none: a procedure that needs it is refused earlier."""
        if self.setup.meter is None:
            raise BrokenOff("this bench has no meter")
        return self.setup.meter

    @property
    def this_step(self) -> Step:
        """The step under way."""
        assert self.step is not None, "no step is under way"
        return self.step

    @property
    def can_answer(self) -> bool:
        """Whether questions get an answer: from a person, or from a simulated bench by itself."""
        return self.setup.ask.attended or self.simulated

    def remote_sense(self, name: str) -> bool:
        """Whether the bench file has the supply of that input sense at the board."""
        supply = self.setup.bench.supply_of(name)
        return supply is not None and supply.remote_sense

    def supply_of(self, name: str | None) -> str:
        """Which supply feeds that input, as the logbook calls it; the first one for what is no input."""
        supply = None if name is None else self.setup.bench.supply_of(name)
        return "supply" if supply is None else supply.name

    def move_leads(self, where: LeadsPlace, why: str, inputs: tuple[str, ...]) -> bool:
        """Move the supply's leads, if they are not there: only with every output verified off and its terminals low.

        Returns whether they were moved.
        """
        if self.leads_at == (where, inputs) or self.setup.supply is None:
            return False
        self.power.require_off(why)
        wait_for_terminals(self.power, self.waits)
        self.leads_at = None
        self.hands.leads(where, inputs)
        self.leads_at = (where, inputs)
        return True

    def keep(
        self,
        point: str | None,
        kind: Kind,
        value: Value,
        judged: Judged = RECORDED,
        *,
        instrument: str = "meter",
        how: How = How.READ,
        aspect: str = "",
        beside: PollSample | None = None,
        spread: tuple[float, float] | None = None,
        replaces: str | None = None,
        at: float | None = None,
    ) -> Reading:
        """Make a reading, judge it, keep it, show it, and remember it for the step.

        `spread`: it never settled. `replaces`: id of the reading in whose place it was taken. `at`: its moment in
        monotonic seconds, where that is not now.
        """
        reading = self._made(point, kind, value, judged, unsettled=spread is not None)
        if at is not None:
            reading = replace(reading, at=reading.at - timedelta(seconds=reading.monotonic - at), monotonic=at)
        reading = replace(
            reading,
            instrument=self.supply_of(point) if instrument == "supply" else instrument,
            how=how,
            aspect=aspect,
            input_volts=None if beside is None else beside.volts,
            input_amps=None if beside is None else beside.amps,
            lowest=None if spread is None else spread[0],
            highest=None if spread is None else spread[1],
            replaces=replaces,
        )
        reading = held_back(decided(self, with_uncertainty(self, reading, value), judged), self.lacking.known)
        self.journal.reading(reading)
        self._remember(reading)
        return reading

    def _made(self, point: str | None, kind: Kind, value: Value, judged: Judged, *, unsettled: bool) -> Reading:
        """Make a reading of this moment and judge it; who took it and what stood beside it is filled in by `keep`."""
        at, monotonic = self.journal.now()
        return Reading(
            step=self.this_step.index,
            point=point,
            kind=kind,
            value=value.number,
            unit=UNIT_OF[kind],
            limits=judged.limits,
            limits_from=judged.limits_from,
            result=judged_result(value, judged, unsettled=unsettled),
            at=at,
            monotonic=monotonic,
            instrument="meter",
            raw=value.raw,
            resolution=value.resolution,
            meter_range=value.full_scale,
            board_state=self.state,
            unsettled=unsettled,
            limits_basis=judged.basis or self.bases.of(self.board, point, kind, judged.limits, judged.limits_from),
            note=judged.note or value.why,
        )

    def keep_settled(
        self,
        point: str | None,
        kind: Kind,
        found: Settled,
        judged: Judged = RECORDED,
        *,
        aspect: str = "",
        replaces: str | None = None,
    ) -> Reading:
        """Keep what the meter settled at."""
        return self.keep(
            point,
            kind,
            found.value,
            judged,
            how=How.TYPED if self.meter.by_hand else How.READ,
            aspect=aspect,
            beside=found.beside,
            spread=found.spread,
            replaces=replaces,
        )

    def take_back(self, old: Reading) -> None:
        """Have a reading count no more for its step: another one takes its place, and both are kept."""
        for sentences in (self.tally.failed, self.tally.missing):
            if sentence(old) in sentences:
                sentences.remove(sentence(old))

    def replace(self, old: Reading, new: Reading) -> None:
        """Keep a correction beside what it corrects. A failed step that has ended stays failed: its unit is retried."""
        new = held_back(new, self.lacking.known)
        self.journal.reading(new)
        self.take_back(old)
        if new.point is not None and new.result not in (*PASSED, Result.RECORDED):
            if new.kind is Kind.RESISTANCE:
                self.evidence.doubt_resistance(new.point)
            elif new.aspect == AT_LEADS:
                self.evidence.doubt_leads(new.point)
        self._remember(new)

    def _remember(self, reading: Reading) -> None:
        if reading.result in FAILED:
            self.tally.failed.append(sentence(reading))
        elif reading.result is Result.NO_VALUE:
            self.tally.missing.append(sentence(reading))
            self.end_if_lost()

    def end_if_lost(self) -> None:
        """End the attempt if the meter is lost and the step says so: what had no value has been kept as that.

        An irreversible step is finished first: power stays on through it.
        """
        if self.lost.lost and (self.lost.given_up or self.this_step.on_lost is OnLost.END):
            self.watch.unless_spared(BrokenOff(f"the meter is lost: {self.lost.why}"))


def judged_result(value: Value, judged: Judged, *, unsettled: bool) -> Result:
    """Return the result of a value: no value is no value, and one that never settled fails, limits or none."""
    if judged.result is not None:
        return judged.result
    if value.number is None:
        return Result.NO_VALUE
    result = judge(value.number, judged.limits)
    return Result.FAIL if unsettled else result
