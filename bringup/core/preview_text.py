"""The preview of a procedure as plain text for a page of 100 columns. No colour, nothing but text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bringup.core.arming import ApplyPlan, LeadsPlan
from bringup.core.bench import Bench
from bringup.core.columns import JOINED, origin_text, table
from bringup.core.finding import Finding
from bringup.core.listening import Listen, in_detail, in_short
from bringup.core.preview import Judged, Preview, StepPreview
from bringup.core.preview_design import design_lines
from bringup.core.preview_margins import stress_lines
from bringup.core.preview_power import apply_lines, behind_lines, leads_lines
from bringup.core.preview_uncertainty import uncertainty_lines
from bringup.core.preview_under_load import details_under_load, doing_under_load
from bringup.core.procedure import (
    Apply,
    Dwell,
    HostProgram,
    Inspect,
    Leads,
    Log,
    Measure,
    Note,
    OnLost,
    OnlyIf,
    PowerOff,
    Question,
    Sink,
    Step,
    TakePhoto,
)
from bringup.core.program import listed_arguments
from bringup.core.safety_bench import meter_by_hand, supply_by_hand
from bringup.core.under_load import PowerCycle, Ripple, Sweep
from bringup.core.unpowered import Resistance
from bringup.core.wording import duration, folded, limits_text, listed

WIDTH = 100
INDENT = "     "


def text_of(preview: Preview, width: int = WIDTH) -> str:
    """Return the whole page."""
    lines = [*_head(preview), ""]
    for step in preview.steps:
        lines += [*_step(step, preview), ""]
    lines += [
        *stress_lines(preview.stress),
        *design_lines(preview.design),
        *uncertainty_lines(preview.foreseen),
    ]
    lines += [*_time(preview), *_not_covered(preview), *_findings(preview)]
    return "\n".join(folded(line, width) for line in lines).replace(JOINED, " ") + "\n"


def _head(preview: Preview) -> Iterator[str]:
    procedure, board = preview.procedure, preview.procedure.board
    revision = f", revision {board.revision}" if board.revision else ""
    variant = f", variant {preview.variant}" if preview.variant else ""
    yield f"{procedure.name}: {board.name}{revision}{variant}"
    attended = "after first power" if procedure.unattended_after_first_power else "never"
    yield f"unattended: {attended}"
    if procedure.answer_within is not None:
        within = duration(procedure.answer_within.number)
        yield f"outputs go off where nobody answers a question within {within}"
    yield f"bench: {_bench(preview.bench)}"
    if preview.steps and preview.steps[0].state is not None:
        yield f"board state at the start: {preview.steps[0].state}"
    for caution in board.cautions:
        yield f"CAUTION: {caution}"


def _bench(bench: Bench | None) -> str:
    if bench is None:
        return "none named; outputs, ceilings, instruments and probing are left open (give --bench FILE)"
    supply = "no supply" if bench.supply is None else "supply by hand" if supply_by_hand(bench) else "supply"
    supply = f"{len(bench.supplies)} supplies" if bench.more_supplies else supply
    meter = "no meter" if bench.meter is None else "meter by hand" if meter_by_hand(bench) else "meter"
    probing = "probing by hand" if bench.probing_by_hand else "fixed wiring"
    if bench.scanner is not None:
        probing = f"a scanner on {listed(bench.scanner.channels)}, the rest probed by hand"
    simulated = ", SIMULATED" if bench.simulate is not None else ""
    others = ("" if bench.load is None else "load, ") + ("" if bench.scope is None else "scope, ")
    return f"{bench.name} ({supply}, {meter}, {others}{probing}{simulated})"


def _step(preview: StepPreview, whole: Preview) -> Iterator[str]:
    step = preview.step
    title = f"{step.title}: " if step.title else ""
    about = [] if not preview.seconds else [f"about {duration(preview.seconds)}"]
    about += [f"a person {preview.person}"] if preview.person else []
    yield f"{step.index + 1:>3}  {title}{doing(step)}" + (f"  [{'; '.join(about)}]" if about else "")
    for caution in preview.cautions:
        yield f"{INDENT}CAUTION: {caution}"
    if step.irreversible:
        yield f"{INDENT}IRREVERSIBLE: asks for the serial number, needs every probed rail passed, never done twice"
    if step.only_if is not None:
        yield f"{INDENT}only if {only_if_text(step.only_if)}"
    if step.board_state is not None:
        yield f"{INDENT}from here on the board is {step.board_state}"
    yield from (INDENT + line for line in _details(step))
    if isinstance(preview.plan, ApplyPlan):
        yield from (INDENT + line for line in apply_lines(preview.plan, whole))
        yield from (INDENT + line for line in behind_lines(step, preview.plan, whole))
    elif isinstance(preview.plan, LeadsPlan):
        yield from (INDENT + line for line in leads_lines(preview.plan, whole))
    yield from (INDENT + line for line in _readings(preview.readings))
    if not step.end_on_fail:
        yield f"{INDENT}a failure here does not end the attempt"


def doing(step: Step) -> str:
    """Return what a step does, in a few words."""
    action = step.action
    match action:
        case Inspect():
            return f"inspect, {len(action.confirm)} to confirm{action.and_parts}"
        case Question():
            return f"ask: {action.ask}"
        case Note() | TakePhoto():
            return action.said
        case Resistance():
            return f"resistance to ground{action.besides}, everything off, supply leads off the input"
        case Leads():
            return f"volts at the free ends of the leads of {action.input}, board unconnected"
        case Apply():
            return f"power {action.input}"
        case Measure():
            return "measure volts"
        case Sink():
            if action.level is None:
                return f"the load at {action.rail} off"
            stop = "" if action.stop_voltage is None else f", stops below {action.stop_voltage}"
            return f"read {action.rail}; if in regulation, load it with constant {action.mode} {action.level}{stop}"
        case Log() | Ripple() | Sweep() | PowerCycle():
            return doing_under_load(action)
        case Dwell():
            return f"wait {duration(action.duration.number)}, the supply watched"
        case PowerOff():
            below = "" if action.discharged_below is None else f", wait until below {action.discharged_below}"
            return f"power off, verified{below}"
        case HostProgram():
            return f"run a program on this computer, for at most {duration(action.time_out.number)}"
        case Listen():
            return in_short(action)


def only_if_text(only_if: OnlyIf) -> str:
    """Return the conditions of a step in words."""
    parts = []
    if only_if.attended is not None:
        parts.append("a person is here" if only_if.attended else "nobody is here")
    if only_if.board_state is not None:
        parts.append(f"the board is {only_if.board_state}")
    if only_if.variant is not None:
        parts.append(f"the variant is {only_if.variant}")
    if only_if.step is not None:
        parts.append(f"step {only_if.step + 1} had the result {only_if.result}")
    return listed(parts)


def _details(step: Step) -> Iterator[str]:
    if isinstance(step.action, Inspect):
        yield from (f"- {item}" for item in step.action.items)
    if step.steady is not None:
        then = "ends the attempt" if step.end_on_creep else "is a warning"
        yield f"a creep by more than {100 * step.steady:.3g} % of a value {then}"
    if step.on_lost is not OnLost.END:
        then = "is waited for" if step.on_lost is OnLost.WAIT else "leaves no values, and the step goes on"
        yield f"a meter that is lost {then}"
    yield from details_under_load(step.action)
    if isinstance(step.action, Question):
        if step.action.choices:
            good = f" (good: {listed(step.action.good)})" if step.action.good else ""
            yield f"one of {listed(step.action.choices)}{good}"
        elif "" in step.expect:
            yield f"judged by {limits_text(step.expect[''])}"
    if isinstance(step.action, HostProgram):
        yield f"arguments: {listed_arguments(step.action.program)}"
        yield f"must end with exit code {step.action.exit_code}"
        yield from (f"its output must hold {text!r}" for text in step.action.contains)
        if step.action.loads:
            yield f"loads {step.action.loads}, whose SHA-256 is kept"
    if isinstance(step.action, Listen):
        yield from in_detail(step.action, step.expect)


def _readings(readings: Sequence[Judged]) -> Iterator[str]:
    rows = [
        (one.point, f"at {one.probe}" if one.probe else "", limits_text(one.limits), origin_text(one.limits_from))
        for one in readings
    ]
    yield from table(rows)


def _time(preview: Preview) -> Iterator[str]:
    people = sum(1 for step in preview.steps if step.person)
    yield (
        f"Time: about {duration(preview.seconds)} of instruments and stated waits; "
        f"what a person does in {people} of {len(preview.steps)} steps comes on top."
    )


def _not_covered(preview: Preview) -> Iterator[str]:
    if preview.bench is None or not preview.not_covered:
        return
    yield from ("", "Not covered on this bench:")
    yield from (f"  - {gap}" for gap in preview.not_covered)


def _findings(preview: Preview) -> Iterator[str]:
    yield ""
    if not preview.findings:
        yield "Nothing speaks against it."
        return
    yield "Found on examination:"
    for finding in preview.findings:
        yield from _finding(finding, preview)
    if preview.refused:
        yield from ("", "REFUSED: it cannot be run like this.")


def _finding(finding: Finding, preview: Preview) -> Iterator[str]:
    kind = "REFUSED" if finding.refused else "warning"
    line = 0 if finding.step is None else preview.procedure.steps[finding.step].line
    where = f"{finding.where} (line {line})" if line else finding.where
    yield f"  {kind}, {where}: {finding.message}"
    yield f"      {finding.what_to_do}"
