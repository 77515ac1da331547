"""`bringup bench --loop-back`: the supply at 1 V into the meter, under everything that `run` holds power under.

The same runner, wait point, guardian, control socket and locks as an attempt; what is done in it is a check of the
bench, and what is read is shown and not kept, for it is of no unit.
"""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from bringup import __version__
from bringup.commands.tracing import noted_by, traced_ask
from bringup.core.bench import Bench
from bringup.core.frozen import frozen
from bringup.errors import ExitCode, SafetyRefused

if TYPE_CHECKING:
    from bringup.core.reading import Reading
    from bringup.host.traffic_file import TrafficFile
    from bringup.runner.setup import AttemptOutcome

COMMAND = "bringup bench --loop-back"


@frozen
class LoopBackOutcome:
    """What the check came to."""

    outcome: AttemptOutcome
    said: str
    """What was permitted, and why."""

    @property
    def exit_code(self) -> ExitCode:
        """What to tell the shell."""
        return self.outcome.exit_code

    def as_data(self) -> dict[str, Any]:
        """Return it for `--json`."""
        outcome = self.outcome
        return {
            "result": str(outcome.result),
            "cause": outcome.cause or None,
            "outputs_off": outcome.off_verified,
            "accuracy": self.said,
            "readings": [_reading_data(each) for each in outcome.readings],
        }


def _reading_data(reading: Reading) -> dict[str, Any]:
    limits = reading.limits
    return {
        "input": reading.point,
        "instrument": reading.instrument,
        "value": reading.value,
        "unit": reading.unit,
        "low": None if limits is None or limits.low is None else float(limits.low),
        "high": None if limits is None or limits.high is None else float(limits.high),
        "result": str(reading.result),
        "typed": str(reading.how) == "typed",
    }


def check_before(bench: Bench) -> None:
    """Refuse what the bench file and the terminal alone refuse, before anything is opened. Raises SafetyRefused."""
    from bringup.commands.at_terminal import at_a_terminal
    from bringup.commands.before_opening import check_calibration, check_one_switch, refuse_findings, today
    from bringup.core.loop_back import procedure_of, refusal

    if why := refusal(bench):
        raise SafetyRefused(f"{bench.path}: {why}", "Nothing was opened and nothing was powered.")
    procedure = procedure_of(bench)
    check_one_switch(procedure, bench)
    # No relay closes in it, and the points on a scanner's map are those of a board.
    refuse_findings(procedure, replace(bench, scanner=None))
    check_calibration(bench, today())
    real = "; ".join(bench.surely_real())
    if real and not at_a_terminal():
        raise SafetyRefused(
            f"nobody is at this bench, and it is a real one ({real}): a loop-back check takes a person's hands and go",
            "Run it from a terminal at the bench. Nothing was opened and nothing was powered.",
        )


def loop_back(bench: Bench, trace: TrafficFile | None, *, as_json: bool) -> LoopBackOutcome:
    """Carry the check out. Raises BringupError where it is refused, nothing powered."""
    from bringup.commands.at_terminal import choose_ask, login_name, make_person, showing, suspend
    from bringup.commands.guarding import guarded
    from bringup.commands.instruments import open_bench
    from bringup.commands.telling import Telling
    from bringup.commands.unkept import Unkept
    from bringup.core.loop_back import NAME, VOLTS, allowed, checked_on, procedure_of
    from bringup.host.awake import keeper
    from bringup.host.clock import HostClock
    from bringup.runner.attempt import run_attempt
    from bringup.runner.loop_back import LoopBack
    from bringup.runner.setup import AttemptSetup
    from bringup.runner.wait import take_off_asked

    bounds = allowed(bench)
    with ExitStack() as leave:
        clock = HostClock() if trace is None else HostClock(*noted_by(trace))
        leave.enter_context(clock.signals())
        note = None if trace is None else trace.note
        waked = {"wake": clock.wake, "ask_off": clock.ask_off}
        opened = leave.enter_context(open_bench(bench, "", **waked, note=note, command=COMMAND))
        person = make_person(clock, unattended=False)
        guard = guarded(opened, NAME, None, clock.wake)
        ask = traced_ask(choose_ask(person, simulated=opened.simulated), trace)
        record = Unkept()
        tell = Telling(record, clock)
        leave.callback(tell.at_the_end)
        view, keys = leave.enter_context(showing(person, clock, sys.stderr if as_json else sys.stdout))
        tell.view = view
        view.scene.keeps = False
        near = {name: bounds.around(VOLTS) for name in checked_on(bench)}
        setup = AttemptSetup(
            serial="",
            procedure=procedure_of(bench),
            bench=opened.bench,
            supply=opened.supply(ask),
            meter=opened.meter(ask, near),
            load=opened.load(),
            scanner=opened.scanner(),
            clock=clock,
            ask=ask,
            record=record,
            tell=tell,
            operator=login_name(),
            tool_version=__version__,
            simulated_link=opened.simulated_link,
            guard=guard,
            awake=None if opened.simulated else keeper(),
            suspend=lambda: suspend(clock, keys),
        )
        outcome = run_attempt(setup, LoopBack)
        off = False if outcome.load_off is False else outcome.off_verified
        opened.report_off(off, lambda: take_off_asked(clock))
    return LoopBackOutcome(outcome, bounds.said)
