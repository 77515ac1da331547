"""The steps of a procedure, one after the other: which are done, which left out and why, which end the attempt."""

from __future__ import annotations

from bringup.core.listening import Listen
from bringup.core.procedure import (
    Action,
    Apply,
    Dwell,
    HostProgram,
    Inspect,
    Leads,
    Log,
    Measure,
    Note,
    PowerOff,
    Question,
    Sink,
    Step,
    TakePhoto,
)
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.words import StepOutcome
from bringup.runner.actions.apply import apply, follow_state
from bringup.runner.actions.dwell import dwell
from bringup.runner.actions.host_program import host_program, off_and_end
from bringup.runner.actions.inspect import inspect
from bringup.runner.actions.leads import leads
from bringup.runner.actions.listen import lend_lines, listen
from bringup.runner.actions.load import load, load_off
from bringup.runner.actions.log import log
from bringup.runner.actions.measure import measure
from bringup.runner.actions.note import note
from bringup.runner.actions.parts import hold_back
from bringup.runner.actions.photo import take_photo
from bringup.runner.actions.power_cycle import power_cycle
from bringup.runner.actions.power_off import power_off
from bringup.runner.actions.question import question
from bringup.runner.actions.resistance import resistance
from bringup.runner.actions.ripple import ripple
from bringup.runner.actions.sweep import sweep, sweep_off
from bringup.runner.cautions import show_cautions
from bringup.runner.endings import LeaveOut, MissingEvidence, UnitFailed
from bringup.runner.going_on import carry
from bringup.runner.headings import heading
from bringup.runner.irreversible import carry_out_once, done_before, end_unknown
from bringup.runner.leaving_out import needed_input, unmet
from bringup.runner.records import Once
from bringup.runner.tally import Tally
from bringup.runner.work import Work

TOOL = "the tool"
PERSON = "the person"


def perform(work: Work, action: Action) -> None:
    """Do what the action says. Raises an Ending, LeaveOut, LogbookError."""
    if isinstance(action, Apply | HostProgram):
        work.lines.restarting()
    match action:
        case Inspect():
            inspect(work, action)
        case Question():
            question(work, action)
        case Note():
            note(work, action)
        case TakePhoto():
            take_photo(work, action)
        case Resistance():
            resistance(work, action)
        case Leads():
            leads(work, action)
        case Apply():
            apply(work, action)
        case Measure():
            measure(work, action)
        case Log():
            log(work, action)
        case Sink():
            load(work, action)
        case PowerCycle():
            power_cycle(work, action)
        case Ripple():
            ripple(work, action)
        case Sweep():
            sweep(work, action)
        case Dwell():
            dwell(work, action)
        case PowerOff():
            power_off(work, action)
        case HostProgram():
            lend_lines(work)
            host_program(work, action)
            work.lines.take_back()
        case Listen():
            listen(work, action)


class Steps:
    """The walk through a procedure, and what became of each step."""

    def __init__(self, work: Work) -> None:
        self._work = work
        work.lacking.parts.update(work.history.parts)
        hold_back(work)
        self.results: dict[int, str] = {}
        """Step -> 'pass', 'fail' or '' for steps that were done."""
        self.failed: list[str] = []
        self.missing: list[str] = []
        self._carried = set() if work.going_on is None else set(work.going_on.steps)
        """Steps that an earlier attempt did and passed: the logbook has them as done from the beginning."""
        self._ended = set(self._carried)

    @property
    def under_way(self) -> str:
        """The step that has begun and not ended, as people count it: 'step 5 (measure)'; '' if there is none."""
        step = self._work.step
        return "" if step is None or step.index in self._ended else named(step)

    def carry_out(self) -> None:
        """Do every step in order. Raises whatever ends the attempt before its last step."""
        only = self._work.setup.only
        if only is not None and only.text:
            self._work.journal.event("only", only.text)
        for step in self._work.setup.procedure.steps:
            self._one(step)
        if only is not None and only.text:
            self.missing.append(only.text)
        self.missing += self._work.lacking.shortfalls

    def close(self) -> None:
        """Say of the step under way, and of those not reached, what became of them. Raises LogbookError."""
        work = self._work
        for step in work.setup.procedure.steps:
            if step.index in self._ended:
                continue
            under_way = work.step is not None and step.index == work.step.index
            if under_way:
                result, why = "fail" if work.tally.failed else "", f"ended with the attempt{end_unknown(work, step)}"
                self._end(step, StepOutcome.DONE, result, why=why)
            else:
                self._end(step, StepOutcome.NOT_REACHED, "")

    def _one(self, step: Step) -> None:
        work = self._work
        if step.index in self._carried:
            self._carry(step)
            return
        self._enter(step)
        why = self._left_out_because(step)
        if why:
            self._end(step, StepOutcome.LEFT_OUT, "", why=why, who=TOOL)
            return
        if unpowered := needed_input(work, step):
            why = f"{unpowered} is not powered: its `apply` was left out or ended early"
            self.missing.append(f"{named(step)} was left out: {why}")
            self._end(step, StepOutcome.LEFT_OUT, "", why=why, who=TOOL)
            return
        if step.irreversible and (once := done_before(work, step)) is not None:
            self._never_again(step, once)
            return
        try:
            show_cautions(work, step)
            if step.irreversible:
                carry_out_once(work, step, lambda: perform(work, step.action))
            else:
                perform(work, step.action)
        except LeaveOut as choice:
            self._leave_out(step, choice.why)
            return
        self._done(step)

    def _never_again(self, step: Step, once: Once) -> None:
        """Leave out an irreversible step that was begun on this unit before; nobody can override that."""
        why = f"irreversible, and never repeated: {once.said}"
        self._work.journal.event("never-repeated", f"{named(step)}: {why}")
        if once.passed:
            self.results[step.index] = "pass"
            self._change_state(step)
        else:
            self.missing.append(f"{named(step)} was left out: {why}")
        self._end(step, StepOutcome.LEFT_OUT, self.results.get(step.index, ""), why=why, who=TOOL)
        if not once.passed and step.end_on_fail:
            raise MissingEvidence(self.missing[-1])

    def _carry(self, step: Step) -> None:
        """Take over what an earlier attempt found out in this step."""
        work = self._work
        work.journal.step = step.index
        self.results[step.index] = "pass"
        work.journal.show("step-ended", f"step {step.index + 1} {carry(work, step)}", outcome="carried over")
        self._change_state(step)
        work.journal.step = None

    def _enter(self, step: Step) -> None:
        work = self._work
        work.step, work.tally, work.journal.step = step, Tally(), step.index
        at, monotonic = work.journal.now()
        work.journal.record.step_begun(step.index, at, monotonic)
        total = len(work.setup.procedure.steps)
        work.journal.show("step-begun", heading(step), action=step.kind, of=total)
        if isinstance(step.action, HostProgram | Listen):
            self._allow_state(step)
        else:
            self._change_state(step)

    def _allow_state(self, step: Step) -> None:
        """A program brings the board into its state by ending well, and a text by being found, not by beginning.

        What the board draws may change before that.
        """
        work = self._work
        before, work.state = work.state, step.board_state or work.state
        follow_state(work, changing=True)
        work.state = before

    def _change_state(self, step: Step) -> None:
        work = self._work
        if step.board_state is not None and step.board_state != work.state:
            work.state = step.board_state
            follow_state(work, changing=True)
            work.hands.state(step.board_state)
            work.journal.event("board-state", f"the board is {step.board_state} from here on")

    def _done(self, step: Step) -> None:
        tally = self._work.tally
        if isinstance(step.action, HostProgram | Listen) and tally.result == "pass":
            self._change_state(step)
        if step.board_state is not None:
            follow_state(self._work, changing=False)
        self.results[step.index] = tally.result
        self.failed += [f"{named(step)}: {text}" for text in tally.failed]
        self.missing += [f"{named(step)}: {text}" for text in tally.missing]
        self._end(step, StepOutcome.DONE, tally.result, why="; ".join([*tally.failed, *tally.missing]))
        if not step.end_on_fail:
            return
        if tally.failed:
            raise UnitFailed(self.failed[-len(tally.failed)])
        if unasked := [text for text in tally.missing if text not in tally.chosen]:
            raise MissingEvidence(f"{named(step)}: {unasked[0]}")

    def _leave_out(self, step: Step, why: str) -> None:
        """The person leaves the step out. Whatever it may have switched on or half done goes off first."""
        work = self._work
        were_on = {feed.input for feed in work.power.on}
        if isinstance(step.action, Apply | Leads | PowerOff | PowerCycle | Resistance):
            work.power.all_off()
        if isinstance(step.action, Sink):
            load_off(work, step.action)
        if isinstance(step.action, Sweep):
            sweep_off(work, step.action)
        if isinstance(step.action, Apply | PowerCycle):
            work.unpowered.add(step.action.input)
        if not isinstance(step.action, PowerOff):
            # What went off with it reads nothing, and that is no fault of the unit.
            work.unpowered |= were_on - {feed.input for feed in work.power.on}
        off_and_end(work)
        work.lines.take_back()
        self.failed += [f"{named(step)}: {text}" for text in work.tally.failed]
        self.missing.append(f"{named(step)} was left out: {why}")
        self._end(step, StepOutcome.LEFT_OUT, "fail" if work.tally.failed else "", why=why, who=PERSON)

    def _end(self, step: Step, outcome: StepOutcome, result: str, *, why: str = "", who: str = "") -> None:
        self._ended.add(step.index)
        work = self._work
        work.journal.record.step_ended(step.index, outcome, result, at=work.setup.clock.utc(), why=why, who=who)
        work.journal.step = step.index
        texts = {
            StepOutcome.LEFT_OUT: f"left out by {who}",
            StepOutcome.NOT_REACHED: f"step {step.index + 1} not reached: {heading(step)}",
        }
        text = texts.get(outcome, "")
        work.journal.show("step-ended", text, outcome=str(outcome), result=result, why=why, who=who)
        work.step = work.journal.step = None

    def _left_out_because(self, step: Step) -> str:
        """Return why the variant, being confined to other rails, or `only_if` leaves it out; '' if none does."""
        if step.not_built:
            return step.not_built
        only = self._work.setup.only
        if only is not None and step.index in only.steps:
            return only.steps[step.index]
        return "" if step.only_if is None else unmet(self._work, step.only_if, self.results)


def named(step: Step) -> str:
    """Return the step as people count it: 'step 3 (measure)'."""
    return f"step {step.index + 1} ({step.title or step.kind})"
