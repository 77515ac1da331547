"""Waiting for the guardian of an attempt that was killed, which holds the bench until it has seen to the outputs.

For a person who starts anew a moment after a crash: any other holder is somebody else, and is not waited for.
"""

from __future__ import annotations

import time

from bringup.commands.reaching import guarded_roles, guardian_lock, lock_name, lock_names
from bringup.commands.saying import say
from bringup.core.bench import Bench
from bringup.host.lock import Holder, holder_of

WAIT_FOR_GUARDIAN = 20.0
"""Seconds to wait at most: it looks again three seconds after everything is kept. One that still tries to reach a
supply takes longer, and then nothing is to be started there."""
UNNOTICED = 0.3
"""Seconds after which the person is told: a guardian that only stands down is gone sooner."""
BETWEEN_LOOKS = 0.05


def let_guardian_finish(bench: Bench, *, within: float | None = None) -> None:
    """Wait until no guardian holds this bench, at most so long. Whoever else holds it is for `hold` to refuse.

    Raises BenchError where the locks cannot be looked at.
    """
    begun, told = time.monotonic(), False
    within = WAIT_FOR_GUARDIAN if within is None else within
    while (guardian := _guardian_at_work(bench)) is not None:
        passed = time.monotonic() - begun
        if passed >= within:
            return
        if not told and passed >= UNNOTICED:
            told = True
            say(f"{guardian} is still seeing to the outputs: waiting for it, {within:.0f} s at most ...", err=True)
        time.sleep(BETWEEN_LOOKS)


def _guardian_at_work(bench: Bench) -> Holder | None:
    """Return the guardian that holds the bench, None where nobody does or somebody else."""
    if not (roles := guarded_roles(bench)):
        return None
    holders = [holder for name in lock_names(bench) if (holder := holder_of(name)) is not None]
    if any(holder.command != "bringup guardian" for holder in holders):
        return None
    # Between the tool's end and the guardian's first move only the name under which it is found is held.
    names = [guardian_lock(lock_name(bench, role)) for role in roles]
    return holders[0] if holders else next(filter(None, map(holder_of, names)), None)
