"""An attempt from beginning to end. Whatever ends it, the outputs go off first and the rest comes after.

The shape to audit: `_carry_out` is the only place where steps run, and it cannot be left without either every output
switched off and verified in order, or the emergency way off. Only then is anything classified, recorded or told.
"""

from __future__ import annotations

from collections.abc import Callable

from bringup.core.board import check_serial
from bringup.core.words import UNSEEN, AttemptResult
from bringup.errors import BenchError, LinkError, LogbookError, SafetyRefused, Stopped
from bringup.runner.actions.host_program import end_programs
from bringup.runner.attach import Found, attach, decide_found_on, log_found
from bringup.runner.claims import ask_found_on
from bringup.runner.endings import CalledOff, Ending, FoundOff, Interrupted, MissingEvidence, Slept, Trip, UnitFailed
from bringup.runner.going_on import decide
from bringup.runner.hands import Hands, LeadsPlace, PersonHands, SimulatedHands
from bringup.runner.headings import heading
from bringup.runner.journal import Journal
from bringup.runner.keys import act_on
from bringup.runner.listening import Listening, taking_part
from bringup.runner.patience import Patience
from bringup.runner.power import Power
from bringup.runner.records import AttemptStart, Interruption, UnitHistory
from bringup.runner.scanning import ScannerHands, open_at_the_end
from bringup.runner.seen import keep_seen
from bringup.runner.setup import AttemptOutcome, AttemptSetup
from bringup.runner.sinking import Sinking
from bringup.runner.steps import Steps
from bringup.runner.wait import WaitPoint, take_off_asked
from bringup.runner.walk import Walk
from bringup.runner.watch import Watch
from bringup.runner.work import Work

EXPECTED = (Ending, LogbookError, LinkError, KeyboardInterrupt)
"""What may end an attempt without being a bug in the tool."""


def run_attempt(setup: AttemptSetup, walk: Callable[[Work], Walk] = Steps) -> AttemptOutcome:
    """Run one procedure on one unit and return what became of it, every output off. `walk`: what is done in it.

    Raises, with nothing powered: CommandError (serial), BenchError (instruments), SafetyRefused (unattended),
    LogbookError (the attempt cannot be begun), Stopped (called off by then). Afterwards only a bug in the tool
    raises, outputs off.
    """
    check_serial(setup.serial, setup.procedure.board.serial_pattern)
    journal = Journal(setup.record, setup.tell, setup.clock)
    if setup.sisters is not None:
        journal.remark, journal.beside = setup.sisters.remark, setup.sisters.beside
    watch = Watch(setup.supply, setup.clock, journal, setup.poll_every)
    watch.guard = setup.guard
    waits = WaitPoint(setup.clock, setup.ask, journal, watch)
    power = Power(setup.supply, waits, watch, journal)
    if setup.supply is None or setup.supply.by_hand:
        watch.load.guard = setup.guard
    power.sinking = Sinking(setup.load, waits, watch.load, journal)
    waits.wakefulness.on, waits.wakefulness.keeper = (lambda: watch.busy or bool(power.on)), setup.awake
    try:
        found = attach(setup, waits)
        watch.paced(found.look_takes)
        history = setup.record.history(setup.serial)
        work = _work(setup, found, history, (journal, watch, waits, power))
        _refuse_unattended(work, found, history)
        found_on = decide_found_on(found, setup, power, waits)
        work.going_on = None if setup.going_on is None else decide(work, setup.going_on, found_on=bool(found_on))
    except Ending as early:
        kind = Stopped if isinstance(early, CalledOff) else BenchError
        raise kind(f"{early.cause}, before the attempt began: nothing was powered") from early
    attempt = setup.record.begin(_start(work, found))
    setup.guard.attempt(attempt)
    work.attempt = attempt
    steps = walk(work)
    waits.on_key = lambda key: act_on(work, key)
    return _close(work, steps, attempt, _carry_out(work, steps, attempt, found, found_on))


def _carry_out(work: Work, steps: Walk, attempt: str, found: Found, found_on: tuple[int, ...]) -> BaseException | None:
    """Do the steps. Returns what ended them early. On return every output is off, or known not to be verified."""
    setup = work.setup
    work.power.claim(found_on)
    try:
        work.journal.show(
            "attempt-begun",
            setup.procedure.name,
            serial=setup.serial,
            attempt=attempt,
            simulated=work.simulated,
            supply=setup.supply is not None,
            by_hand=by_hand(setup),
            on="yes" if found_on else "no",
        )
        log_found(found, setup, work.journal)
        if work.history.held:
            work.journal.event("held", f"{setup.serial} is {work.history.held}")
        if work.going_on is not None:
            work.journal.event("going-on", work.going_on.text, {"continues": work.going_on.earlier.id})
        for output in found_on:
            work.power.off(output)
            work.journal.event("found-on", f"{work.power.supply.called(output)} was found on and switched off")
        work.power.sinking.off_found()
        if work.simulated:
            work.hands.unit(setup.serial)
            if work.state is not None:
                work.hands.state(work.state)
        steps.carry_out()
        work.power.all_off()
    except (UnitFailed, MissingEvidence) as ending:
        return _off_in_order(work) or ending
    except BaseException as error:  # noqa: BLE001 - nothing may pass with an output on; _close raises what is a bug
        work.power.emergency(asked=_asks_off(error), because=error)
        return error
    return None


def _off_in_order(work: Work) -> BaseException | None:
    """Switch off in order, since nothing is wrong with the bench; else the emergency way. Returns bugs and trips."""
    try:
        work.power.all_off()
    except BaseException as error:  # noqa: BLE001 - as above
        work.power.emergency(asked=_asks_off(error), because=error)
        if isinstance(error, Trip) or not isinstance(error, EXPECTED):
            return error
        work.journal.event_if_possible("off", f"switching off in order did not go through: {error}")
    return None


def _asks_off(error: BaseException) -> bool:
    """Whether it was `bringup off`: it means every output, whoever switched it on, whatever is believed of it."""
    return isinstance(error, Interrupted) and error.interruption is Interruption.OFF_ASKED


def _close(work: Work, steps: Walk, attempt: str, error: BaseException | None) -> AttemptOutcome:
    """With the outputs off: say, record and return what became of the attempt."""
    journal, power = work.journal, work.power
    if take_off_asked(work.setup.clock) and power.off_verified is not False:
        power.emergency(asked=True)  # it was asked for after something else had ended the steps
    journal.ending = True
    if work.setup.scanner is not None:
        open_at_the_end(work.setup.scanner, work.waits, journal)
    under_way = steps.under_way
    end_programs(work)
    result, cause = verdict(steps, error)
    tripped = error if isinstance(error, Trip | FoundOff) else power.cut_for
    if tripped is not None:
        # Also what may have been a silent trip: nothing of the unit's history carries over after it.
        journal.show("trip", tripped.cause)
        journal.event_if_possible("trip", tripped.cause, show="")
        keep_seen(work, tripped)
    elif isinstance(error, Slept) or power.unseen:
        journal.event_if_possible("trip", f"{cause}: {UNSEEN}")
    if isinstance(error, Interrupted):
        journal.event_if_possible("interrupted", error.cause, {"by": error.interruption.value}, show="")
    journal.write_polls_if_possible()
    work.lines.finish()
    work.waits.wakefulness.close()
    if failed := _record_end(work, steps, result, cause):
        known = isinstance(error, LogbookError)
        why = "" if known else f": {failed.message}"
        result, cause = AttemptResult.BROKEN_OFF, f"{cause}; the end is not in the logbook{' either' if known else why}"
    if journal.unrecorded:
        lost = "; ".join(f"{each.point or ''} {each.value} {each.unit}" for each in journal.unrecorded)
        cause = f"{cause}; readings not in the logbook: {lost}"
    off = power.off_verified
    told = {"result": str(result), "off_verified": off, "by_hand": by_hand(work.setup), "under_way": under_way}
    journal.show("attempt-ended", cause, poll=None, warned=journal.warned(work.warnings.values()), **told)
    if isinstance(error, Interrupted) and error.interruption is Interruption.SUSPEND:
        # Last, with everything kept: a process that is stopped may never go on.
        work.setup.suspend()
    for bug in (error if not isinstance(error, EXPECTED) else None, power.bug, journal.bug):
        if bug is not None:
            raise bug
    kept, unkept, load_off = tuple(journal.readings), tuple(journal.unrecorded), power.sinking.off_verified
    interrupted = isinstance(error, Interrupted | KeyboardInterrupt)
    return AttemptOutcome(attempt, result, cause, kept, power.off_verified, load_off, unkept, interrupted)


def _record_end(work: Work, steps: Walk, result: AttemptResult, cause: str) -> LogbookError | None:
    """Record how the steps and the attempt ended. Returns what kept that from the logbook; each is tried by itself."""
    failed = None
    if work.power.sinking.off_verified is False:
        work.setup.guard.load_left()
    try:
        steps.close()
    except LogbookError as error:
        failed = error
    try:
        at, off = work.setup.clock.utc(), work.power.off_verified
        work.setup.record.end(result, cause, at=at, off_verified=off)
    except LogbookError as error:
        return error
    if failed is None:
        work.setup.guard.closed()
    return failed


def by_hand(setup: AttemptSetup) -> bool:
    """Whether a person sets the supply: what is known of its outputs is then that person's word."""
    return setup.supply is not None and setup.supply.by_hand


def verdict(steps: Walk, error: BaseException | None) -> tuple[AttemptResult, str]:
    """Return the attempt's result and one sentence of cause."""
    match error:
        case Ending():
            return error.result, error.cause
        case LogbookError():
            return AttemptResult.BROKEN_OFF, f"the logbook cannot be written: {error.message}"
        case LinkError():
            return AttemptResult.BROKEN_OFF, f"an instrument is lost: {error.message}"
        case KeyboardInterrupt():
            return AttemptResult.CALLED_OFF, "called off by Ctrl-C"
        case None:
            pass
        case _:
            return AttemptResult.BROKEN_OFF, f"a bug in the tool: {type(error).__name__}: {error}"
    if steps.failed:
        return AttemptResult.FAILED, steps.failed[0]
    if steps.missing:
        return AttemptResult.INCOMPLETE, steps.missing[0]
    return AttemptResult.PASSED, ""


def _work(
    setup: AttemptSetup, found: Found, history: UnitHistory, parts: tuple[Journal, Watch, WaitPoint, Power]
) -> Work:
    journal, watch, waits, power = parts
    board = setup.procedure.board
    supplies = setup.bench.supplies
    power.left_alone = frozenset(role.first + each for role in supplies for each in role.leave_alone)
    ceilings = {role.name: role.ceiling for role in supplies}
    power.ceiling_of = lambda output: ceilings[power.supply.instrument(output)]
    power.protecting.watchdogs = {role.name: role.watchdog for role in supplies}
    hands: Hands
    reads_meter = setup.meter is not None and setup.meter.by_hand
    person = PersonHands(waits, board, probing_by_hand=setup.bench.probing_by_hand, reads_meter=reads_meter)
    if setup.simulated_link is None:
        hands = person
    else:
        hands = SimulatedHands(waits, setup.simulated_link, journal, person if setup.bench.probing_by_hand else None)
    if setup.scanner is not None:
        hands = ScannerHands(setup.scanner, hands, waits, journal, setup.meter)
    first = setup.procedure.board_state or (board.states[0] if board.states else None)
    work = Work(
        setup,
        waits,
        watch,
        journal,
        power,
        hands,
        Listening(setup.lines, journal),
        state=first,
        history=history,
        simulated=bool(found.infos) and all(info.simulated for info in found.infos),
    )
    if setup.procedure.answer_within is not None and not by_hand(setup):
        waits.patience = Patience(setup.procedure.answer_within.number, lambda: bool(power.on) and not watch.sparing)
    waits.lines, waits.somebody, power.somebody = work.lines, work.can_answer, work.can_answer
    if by_hand(setup):
        power.on_found_on = lambda output: ask_found_on(work, output)
    if not work.can_answer:
        # Permitted unattended: what is plugged in was plugged in by the person who permitted it.
        work.leads_at = (LeadsPlace.BOARD, tuple(board.inputs))
    return work


def _refuse_unattended(work: Work, found: Found, history: UnitHistory) -> None:
    """Without a person at a real bench, an attempt is allowed only where everything says so. Raises SafetyRefused."""
    setup = work.setup
    if work.can_answer:
        return
    wanted = (
        (not any(info.by_hand for info in found.infos), "an instrument is by hand"),
        (setup.unattended, "`--unattended` was not given"),
        (not any(step.irreversible for step in setup.procedure.steps), "the procedure holds an irreversible step"),
        (setup.procedure.unattended_after_first_power, "the procedure does not say `unattended: after first power`"),
    )
    reasons = [*(text for met, text in wanted if not met), *history.against_unattended(setup.serial)]
    if reasons:
        raise SafetyRefused(
            f"nobody is at this bench: {'; '.join(reasons)}",
            "Run it from a terminal with a person at the bench. Nothing was powered.",
        )


def _start(work: Work, found: Found) -> AttemptStart:
    setup, procedure = work.setup, work.setup.procedure
    return AttemptStart(
        serial=setup.serial,
        procedure=procedure.name,
        board=procedure.board.name,
        revision=procedure.board.revision,
        bench=setup.bench.name,
        operator=setup.operator,
        simulated=any(info.simulated for info in found.infos),
        started=setup.clock.utc(),
        monotonic=setup.clock.monotonic(),
        tool_version=setup.tool_version,
        steps=tuple((step.kind, heading(step)) for step in procedure.steps),
        variant=setup.variant,
        lot=setup.lot,
        attended=setup.ask.attended,
        ambient=setup.ambient,
        fixture=setup.fixture,
        instruments=(*found.infos, *taking_part(setup.lines, simulated=work.simulated)),
        sources=setup.sources,
        continues=None if work.going_on is None else work.going_on.earlier.id,
        carried={} if work.going_on is None else work.going_on.steps,
    )
