"""`dwell`: let time pass, with the supply watched."""

from __future__ import annotations

from bringup.core.procedure import Dwell
from bringup.runner.headings import heading
from bringup.runner.steadiness import steadily
from bringup.runner.work import Work


def dwell(work: Work, action: Dwell) -> None:
    """Wait at the wait point."""
    with steadily(work.this_step, work.watch, work.journal):
        work.waits.sleep(action.duration.number, heading(work.this_step))
