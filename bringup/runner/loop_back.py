"""The loop-back check at work: in the place of a procedure's steps, under everything that holds for an attempt.

Each output is off (verified) before hands move leads, goes on by the person's go, is watched while it is on, and is off
(verified) before the next one. What fails is a bench that is not in order; there is no board.
"""

from __future__ import annotations

from decimal import Decimal

from bringup.core.loop_back import (
    REMOTE,
    VOLTS,
    Allowed,
    allowed,
    apart,
    checked_on,
    current_limit,
    meant,
    over_voltage,
)
from bringup.core.procedure import Leads, Step
from bringup.core.replies import Value
from bringup.core.words import How, Kind, LimitsFrom, Result, StepOutcome
from bringup.runner.claims import ask_some
from bringup.runner.endings import LeaveOut, Trip
from bringup.runner.feed import Feed
from bringup.runner.hands import LeadsPlace
from bringup.runner.headings import heading
from bringup.runner.in_volts import volts_before_power
from bringup.runner.measuring import sample_volts, settled
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.roles import Function
from bringup.runner.tally import Tally
from bringup.runner.work import Judged, Work

LIMIT_TIME = 0.2
"""Seconds of current limit allowed: there is nothing to charge."""
BY_SUPPLY, BY_METER = "as the supply reads it", "as the meter reads it"
DRAWS = "the supply was in current limit: something draws current"
SENSE_LEADS = (
    "Join the supply's sense leads to the same ends: sense plus to the plus lead, sense minus to the minus lead, and "
    "nothing else"
)


class LoopBack:
    """The walk through the outputs, and what was found."""

    def __init__(self, work: Work) -> None:
        self._work = work
        self.failed: list[str] = []
        self.missing: list[str] = []
        self._ended: set[int] = set()

    @property
    def under_way(self) -> str:
        """The part that has begun and not ended; '' if there is none."""
        step = self._work.step
        return "" if step is None or step.index in self._ended else heading(step)

    def carry_out(self) -> None:
        """Check every output. Raises whatever ends it early."""
        unsound: set[str] = set()
        for step in self._work.setup.procedure.steps:
            action = step.action
            assert isinstance(action, Leads)
            if action.input in unsound:
                # Nothing is known of sense leads where the supply and the meter do not agree without them.
                continue
            self._one(step, action.input)
            if self._work.tally.result != "pass":
                unsound.add(action.input)

    def close(self) -> None:
        """Say which parts were not reached. Raises LogbookError."""
        work = self._work
        for step in work.setup.procedure.steps:
            if step.index not in self._ended:
                outcome = StepOutcome.NOT_REACHED if work.step is not step else StepOutcome.DONE
                self._end(step, outcome, "fail" if work.step is step and work.tally.failed else "")

    def _one(self, step: Step, name: str) -> None:
        work = self._work
        work.step, work.tally, work.journal.step = step, Tally(), step.index
        at, monotonic = work.journal.now()
        work.journal.record.step_begun(step.index, at, monotonic)
        work.journal.show("step-begun", heading(step), of=len(work.setup.procedure.steps))
        remote = step.name == REMOTE
        try:
            self._read(name, remote=remote)
        except Trip as trip:
            hint = "; a sense lead that is open, loose or swapped does that" if remote else ""
            raise Trip(f"{heading(step)}: {trip.cause}{hint}", trip.seen) from trip
        except LeaveOut as choice:
            work.power.all_off()
            work.tally.missing.append(f"left out: {choice.why}")
        self.failed += [f"{heading(step)}: {text}" for text in work.tally.failed]
        self.missing += [f"{heading(step)}: {text}" for text in work.tally.missing]
        self._end(step, StepOutcome.DONE, work.tally.result)

    def _end(self, step: Step, outcome: StepOutcome, result: str) -> None:
        work = self._work
        self._ended.add(step.index)
        work.journal.record.step_ended(step.index, outcome, result, at=work.setup.clock.utc())
        text = f"step {step.index + 1} not reached: {heading(step)}" if outcome is StepOutcome.NOT_REACHED else ""
        work.journal.step = step.index
        work.journal.show("step-ended", text, outcome=str(outcome), result=result)
        work.step = work.journal.step = None

    def _read(self, name: str, *, remote: bool) -> None:
        """Switch on, take both readings, switch off, and judge what they come to."""
        work = self._work
        work.move_leads(LeadsPlace.FREE, f"the leads of {name} go to the meter", (name,))
        if remote:
            work.power.require_off("the sense leads are joined to the ends")
            work.waits.answer(Prompt(PromptKind.GO, SENSE_LEADS, suggestion="done"))
        volts_before_power(work, name)
        work.hands.probe(name)
        feed = self._feed(name, remote=remote)
        sense = ", sense leads on the same ends" if remote else ""
        work.power.up(feed, f"{name} to the METER and to nothing else{sense}, no board connected, 1 V")
        found = settled(work, Function.DC_VOLTS, name, around=float(VOLTS))
        supply, how = self._supply_reads(feed), How.TYPED if work.power.by_hand else How.READ
        bounds = allowed(work.setup.bench, name)
        of_supply = self._judged(bounds, bounds.supply, limited=found.limited)
        work.keep(name, Kind.VOLTAGE, supply, of_supply, instrument="supply", how=how, aspect=BY_SUPPLY)
        of_meter = self._judged(bounds, bounds.meter, limited=found.limited)
        work.keep_settled(name, Kind.VOLTAGE, found, of_meter, aspect=BY_METER)
        work.power.answered()
        work.power.all_off()
        self._conclude(bounds, supply.number, found.value.number, limited=found.limited, remote=remote)

    @staticmethod
    def _judged(bounds: Allowed, off: Decimal, *, limited: bool) -> Judged:
        limits = bounds.around(off)
        if limited:
            return Judged(limits, LimitsFrom.RULE, Result.FAIL, DRAWS)
        return Judged(limits, LimitsFrom.RULE)

    def _supply_reads(self, feed: Feed) -> Value:
        if self._work.power.by_hand:
            return sample_volts(ask_some(self._work, feed, {Kind.VOLTAGE}))
        return sample_volts(self._work.power.look_once(feed.output))

    def _conclude(
        self, bounds: Allowed, supply: float | None, meter: float | None, *, limited: bool, remote: bool
    ) -> None:
        """Compare the two with each other, and say once what is most likely wrong."""
        tally = self._work.tally
        set_wrong = supply is not None and abs(supply - float(VOLTS)) > float(bounds.supply)
        if differ := apart(supply, meter, bounds.meter):
            tally.failed.append(differ)
        hint = meant(meter, set_wrong=set_wrong, remote=remote)
        if tally.failed and hint and not limited:
            tally.failed[0] += f": {hint}"
            self._work.journal.event("loop-back", hint)

    def _feed(self, name: str, *, remote: bool) -> Feed:
        role, output = checked_on(self._work.setup.bench)[name]
        amps = float(current_limit(role))
        return Feed(
            input=name,
            output=output,
            volts=float(VOLTS),
            current_limit=amps,
            limit_time=LIMIT_TIME,
            over_voltage=float(over_voltage(role)),
            trip_current=amps,
            remote_sense=remote,
        )
