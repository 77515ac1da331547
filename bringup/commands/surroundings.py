"""What an attempt finds open when it begins: the bench, the logbook, a clock, maybe a trace."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING

from bringup.commands.tracing import noted_by, tracing
from bringup.core.bench import Bench
from bringup.core.frozen import frozen

if TYPE_CHECKING:
    from bringup.commands.instruments import OpenBench
    from bringup.commands.run import Wanted
    from bringup.host.clock import HostClock
    from bringup.host.traffic_file import TrafficFile
    from bringup.logbook.opening import OpenLogbook


@frozen
class Surroundings:
    """What is open by the time the runner takes over."""

    logbook: OpenLogbook
    opened: OpenBench
    clock: HostClock
    trace: TrafficFile | None


def open_around(wanted: Wanted, bench: Bench, leave: ExitStack) -> Surroundings:
    """Open logbook and bench. `leave` puts everything back in reverse order. Raises BringupError.

    The logbook is opened while the instruments are saying who they are; where it cannot be, none of them hears anything
    but that, and what takes and gives back remote control. What is wrong with its place is refused before.
    """
    from bringup.commands.common import show_left_messages
    from bringup.commands.finishing import let_guardian_finish
    from bringup.commands.instruments import open_bench
    from bringup.host.clock import HostClock
    from bringup.host.folder import lasting_folder
    from bringup.logbook.folders import check_place

    let_guardian_finish(bench)
    show_left_messages()
    check_place(wanted.logbook)
    kept: list[OpenLogbook] = []
    closed = leave.enter_context(ExitStack())  # after the bench

    def open_logbook() -> None:
        from bringup.logbook.opening import open_for_writing

        kept.append(open_for_writing(wanted.logbook, lasting_folder()))
        closed.callback(kept[0].close)

    trace = leave.enter_context(tracing(wanted.trace, f"run {wanted.procedure} --serial {wanted.serial}"))
    clock = HostClock() if trace is None else HostClock(*noted_by(trace))
    leave.enter_context(clock.signals())
    note = None if trace is None else trace.note
    asked = open_bench(bench, wanted.serial, wake=clock.wake, ask_off=clock.ask_off, note=note, meanwhile=open_logbook)
    opened = leave.enter_context(asked)
    return Surroundings(kept[0], opened, clock, trace)
