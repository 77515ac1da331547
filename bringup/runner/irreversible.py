"""Irreversible steps, such as fuses and one-time memory: asked for with the serial number, once on a unit, undisturbed.

Before one, every probed rail must have passed in this attempt, and the logbook must not know that it was ever begun
on this unit; nobody can override that. While it runs, only over-voltage, over-current or a person cut power. Where what
the board was fed with meanwhile is in doubt, nobody knows whether a step that works by it was done: it counts as begun.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from types import MappingProxyType

from bringup.core.acts import act_of
from bringup.core.procedure import Apply, Dwell, HostProgram, Log, Measure, Sink, Step
from bringup.core.quantity import format_quantity
from bringup.core.reading import Reading
from bringup.core.words import FAILED, PASSED, How, Kind, Result
from bringup.runner.endings import BrokenOff, MissingEvidence, SupplyLost
from bringup.runner.feed import Feed
from bringup.runner.headings import heading
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.readback import alike, differs, knob_limits
from bringup.runner.records import IRREVERSIBLE_BEGUN, IRREVERSIBLE_ENDED, Once, PollSample
from bringup.runner.work import Work

TRIES = 3
"""How often the serial number may be typed before the step is refused."""
BEGUN = "begun"
NOT_KNOWN = "not known whether it was done"
DONE_BY_POWER = (Apply, Dwell, Log, Measure, Sink)
"""Actions whose deed is what the supply does meanwhile; the others have a word of their own on how they ended."""
NOTHING: Mapping[str, str] = MappingProxyType({})


def keys_of(step: Step, loaded: Mapping[str, str] = NOTHING) -> tuple[str, str]:
    """Return what an irreversible step is known by: its name, and what it does whatever it is called.

    `loaded`: the digests of the files that programs load, so that a copy of one under another name is the same.
    """
    image = loaded.get(step.action.loads, "") if isinstance(step.action, HostProgram) else ""
    return step.name, _digest(json.dumps(act_of(step.action, image)))


def done_before(work: Work, step: Step) -> Once | None:
    """Return what the logbook, or this attempt, knows of this step on this unit; None if it was never begun."""
    # Older logbooks know what a step does by everything that its action states.
    keys = (*keys_of(step, work.setup.loaded), _digest(repr(step.action)))
    known = (begun.get(key) for key in keys if key for begun in (work.begun, work.history.irreversible))
    return next((once for once in known if once is not None), None)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()


def carry_out_once(work: Work, step: Step, perform: Callable[[], None]) -> None:
    """Have it confirmed, note that it begins, do it with power spared, note how it ended. Raises MissingEvidence."""
    if missing := rails_missing(work):
        raise MissingEvidence(f"{heading(step)} is irreversible and not begun: {'; '.join(missing)}")
    _confirm(work, step)
    name, what = keys_of(step, work.setup.loaded)
    data = {"name": name, "what": what, "serial": work.setup.serial}
    work.journal.event(IRREVERSIBLE_BEGUN, f"{heading(step)}: irreversible, begun on {work.setup.serial}", data)
    _remember(work, step, Once(False, f"{BEGUN} in step {step.index + 1} of this attempt"))
    with work.watch.power_spared():
        perform()
        doubts = work.watch.doubts if isinstance(step.action, DONE_BY_POWER) else []
        work.tally.missing += [f"it is {NOT_KNOWN}: {doubt}" for doubt in doubts[:1]]
        result = NOT_KNOWN if doubts else work.tally.result or "something is missing"
        text = f"{heading(step)}: ended on {work.setup.serial}, {result}" + (f": {doubts[0]}" if doubts else "")
        became = "done" if result == "pass" else f"{BEGUN}, {result}" if result == NOT_KNOWN else result
        work.journal.event(IRREVERSIBLE_ENDED, text, {**data, "result": "pass" if result == "pass" else became})
        _remember(work, step, Once(result == "pass", f"{became} in step {step.index + 1} of this attempt"))


def doubt_setting(work: Work, feed: Feed, shown_by_hand: PollSample) -> None:
    """Ask once more what an `apply` has left the supply at: what differs, or is not told, is a doubt.

    `shown_by_hand`: what a person read off a supply that nothing else can ask.
    """
    with work.watch.doubting():
        sample = shown_by_hand if work.power.by_hand else work.power.look_once(feed.output)
        if not work.power.by_hand and sample.fault is None and sample.set_volts is None:
            sample = work.power.look_once(feed.output)  # a slow supply is asked for its set points in turn
        volts = sample.volts if work.power.by_hand else sample.set_volts
        wanted = format_quantity(feed.volts, "V")
        if sample.fault is not None:
            raise SupplyLost(f"{feed.input} was set to {wanted}, and asked for it at the end the supply is silent")
        if volts is None:
            raise BrokenOff(f"{feed.input} was set to {wanted}, and at the end nothing says that it is")
        as_set = knob_limits(feed.volts, "V").accepts(volts) if work.power.by_hand else alike(feed.volts, volts, "V")
        if not as_set:
            raise differs(f"voltage of {feed.input}", "V", feed.volts, volts)


def end_unknown(work: Work, step: Step) -> str:
    """Say of an irreversible step that the attempt's end cut short that its own is not known; '' if it is known."""
    once = work.begun.get(step.name) if step.irreversible else None
    return f", irreversible and begun: it is {NOT_KNOWN}" if once is not None and once.said.startswith(BEGUN) else ""


def _remember(work: Work, step: Step, once: Once) -> None:
    """Know it for the rest of the attempt: the logbook was asked before it began."""
    work.begun.update((key, once) for key in keys_of(step, work.setup.loaded) if key)


def rails_missing(work: Work) -> list[str]:
    """Return in words which probed rails have no passed reading of their volts in this attempt."""
    return [
        f"{rail.name} has {why}"
        for rail in work.board.rails.values()
        if rail.probe and (why := _not_passed(work, rail.name))
    ]


def _not_passed(work: Work, name: str) -> str:
    """Look at what the last step that read the powered rail found, corrected where it was, and at what failed since.

    Not all that sweeps, power cycles and ripple read is judged, so they pass nothing; what fails there counts.
    """
    steps = work.setup.procedure.steps
    replaced = {reading.replaces for reading in work.journal.readings}
    read = [
        reading
        for reading in work.journal.readings
        if reading.point == name
        and reading.kind is Kind.VOLTAGE
        and reading.id not in replaced
        and isinstance(steps[reading.step].action, Measure | Log)
        # The spread of a log has no limits of its own: it neither passes nor fails.
        and not (reading.how is How.DERIVED and reading.result is Result.RECORDED)
    ]
    if not read:
        return "no reading of its voltage in this attempt"
    last: list[Reading] = [reading for reading in read if reading.step == read[-1].step]
    last += [
        reading
        for reading in work.journal.readings
        if (reading.point, reading.kind) == (name, Kind.VOLTAGE)
        and reading.id not in replaced
        and reading.monotonic > read[-1].monotonic
        and reading.result in FAILED
    ]
    bad = next((reading for reading in last if reading.result not in PASSED), None)
    return "" if bad is None else f"the result '{bad.result}' in step {bad.step + 1}"


def _confirm(work: Work, step: Step) -> None:
    """Have the serial number typed again, until it is the right one."""
    text = f"IRREVERSIBLE: {heading(step)}. Type the serial number of the unit on the bench to begin"
    remark: tuple[str, ...] = ()
    for _ in range(TRIES):
        prompt = Prompt(PromptKind.TEXT, text, lines=remark, suggestion=work.setup.serial, danger=True)
        answer = work.waits.answer(prompt)
        typed = answer.text.strip()
        if typed == work.setup.serial:
            by = "the simulated bench" if answer.by_itself else "a person"
            work.journal.event("confirmed", f"{heading(step)}: serial number typed again", {"by": by}, show="")
            return
        remark = (f"{typed!r} is not the serial number of this attempt",)
    raise MissingEvidence(f"{heading(step)} is irreversible and not begun: the serial number was not typed rightly")
