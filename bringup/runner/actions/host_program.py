"""`host_program`: a program of this computer, such as one that loads firmware, while the supply is watched on.

Its exit code and what its output holds are judged; all it wrote is kept. When its time is up, the outputs go off and
only then is it ended. Whatever else ends the wait passes on: `end_programs` ends the program once the outputs are off.
"""

from __future__ import annotations

import json
from pathlib import Path

from bringup.core.procedure import HostProgram
from bringup.core.program import filled, unfit, variable_of
from bringup.core.wording import duration
from bringup.runner.endings import BrokenOff
from bringup.runner.headings import heading
from bringup.runner.protocols import Running
from bringup.runner.records import ProgramEnd, ProgramOrder
from bringup.runner.work import Work

ENDING = 10.0
"""Seconds that a program and its children may take to be ended; longer than host takes for both tries."""


def host_program(work: Work, action: HostProgram) -> None:
    """Run it to its end, or until its time is up. Raises an Ending where something else ends the attempt."""
    if work.setup.programs is None:
        raise BrokenOff("programs of this computer cannot be run here")
    order = order_of(work, action)
    name = Path(order.arguments[0]).name
    begun = work.waits.clock.monotonic()
    data = {"arguments": json.dumps(order.arguments, ensure_ascii=False), "folder": order.folder}
    work.journal.event("program-begun", f"{name} begun: {' '.join(order.arguments)}", data, show="")
    # From here to its end nothing is written: a full disk must not end it while it is irreversible.
    running = work.program = work.setup.programs.start(order)
    until = begun + action.time_out.number
    done = work.waits.until(running.ended, until, heading(work.this_step))
    if not done and work.this_step.irreversible and work.setup.ask.attended:
        text = (
            f"{name} takes longer than {duration(action.time_out.number)}; only you may end it (q): it is irreversible"
        )
        work.journal.event_if_possible("late", text)
        done = work.waits.until(running.ended, float("inf"))
    if not done:
        off_and_end(work)
        work.tally.failed.append(
            f"{name} did not end within {duration(action.time_out.number)}: outputs off, then ended"
        )
        return
    work.program = None
    end = running.ended.value()
    _keep(work, name, end, work.waits.clock.monotonic() - begun, action.version)
    work.tally.failed += judged(name, action, end)


def order_of(work: Work, action: HostProgram) -> ProgramOrder:
    """Return what is to be run, every marker replaced. Raises BrokenOff where a value cannot be an argument."""
    folder = Path(work.setup.procedure.path).parent.absolute()
    loads = str(folder / action.loads) if action.loads else ""
    values = {
        "serial": work.setup.serial,
        "attempt": work.attempt,
        "board_state": work.state or "",
        "loads": loads,
    }
    if why := unfit(action.program, values):
        raise BrokenOff(f"the program cannot be given its arguments: {why}")
    environment = {f"BRINGUP_{word.upper()}": value for word, value in values.items()}
    environment |= {"BRINGUP_BOARD": work.board.name, "BRINGUP_REVISION": work.board.revision}
    for name in work.board.inputs:
        feed = work.power.feed_of(name)
        environment[variable_of(name)] = f"{0.0 if feed is None else feed.volts:g}"
    arguments = filled(action.program, values)
    return ProgramOrder(
        (work.setup.program_files.get(arguments[0], arguments[0]), *arguments[1:]),
        str(folder),
        environment,
        loads,
        action.contains,
    )


def judged(name: str, action: HostProgram, end: ProgramEnd) -> list[str]:
    """Return in sentences what is wrong with how it ended; nothing if all is well."""
    if end.exit_code is None:
        return [f"{name}: {end.why}"]
    found = []
    if end.exit_code != action.exit_code:
        how = f"exit code {end.exit_code}" if end.exit_code >= 0 else f"signal {-end.exit_code}"
        found.append(f"{name} ended with {how}, wanted {action.exit_code}")
    found += [f"the output of {name} does not hold {text!r}" for text in action.contains if text not in end.found]
    return found


def off_and_end(work: Work) -> None:
    """Switch everything off in order, and then end the program that is under way, if one is."""
    if work.program is None:
        return
    work.unpowered.update(feed.input for feed in work.power.on)
    work.power.all_off()
    end_programs(work)


def end_programs(work: Work) -> None:
    """End the program that is under way, with its children, and keep what it wrote. The outputs are off by now."""
    running, work.program = work.program, None
    if running is None:
        return
    name = "the program"
    with work.waits.emergency(ENDING):
        end = _ended(work, running)
    if end is None:
        text = f"{name} under way when the outputs went off cannot be ended: look at the list of processes"
        work.journal.event_if_possible("program", text)
        return
    action = None if work.step is None else work.step.action
    _keep(work, name, end, None, action.version if isinstance(action, HostProgram) else "")


def _ended(work: Work, running: Running) -> ProgramEnd | None:
    running.stop()
    return running.ended.value() if work.waits.until(running.ended, float("inf")) else None


def _keep(work: Work, name: str, end: ProgramEnd, seconds: float | None, version: str) -> None:
    """Keep all that is known of its end, in an event of the step."""
    code = "" if end.exit_code is None else f" with {end.exit_code}"
    took = "" if seconds is None else f" after {duration(seconds)}"
    odd = f" ({end.why})" if end.why else ""
    text = f"{name} ended{code}{took}, {end.written} bytes of output{odd}"
    data = {"output": end.output, "bytes": str(end.written)}
    if end.exit_code is not None:
        data["exit code"] = str(end.exit_code)
    if end.digest:
        data["sha256 of what it loads"] = end.digest
        text += f"; loaded sha256 {end.digest[:16]}"
    if version:
        data["version of what it loads"] = version
        text += f", version {version}"
    if work.journal.ending:
        work.journal.event_if_possible("program", text, data)
    else:
        work.journal.event("program", text, data)
