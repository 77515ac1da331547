"""The emergency way off: every output at once, no waits, no commit first, verified by asking, tried again.

It works in the wait point's emergency mode, where interruptions stay latched and every wait has a hard end. It never
raises: whatever goes wrong becomes part of what the person is told when the state stays unknown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bringup.runner.journal import Journal
from bringup.runner.roles import Supply
from bringup.runner.wait import WaitPoint

TRIES = 3
BOUND = 15.0
"""Seconds for all tries together: a link that timed out needs one try to be opened again."""
BOUND_OF_ONE = 5.0
"""Seconds for one try: a call that hangs is left behind by the next one, which goes out on another session."""
BOUND_BY_HAND = 120.0
"""Seconds that a person may take to switch off and say so."""


@dataclass(frozen=True, slots=True)
class Ended:
    """What the emergency came to."""

    verified: bool
    """The supply was asked and said that every output of ours is off."""
    bug: Exception | None = None
    """What went wrong in telling or recording it: to be raised once everything else is done."""


UNKNOWN = "OUTPUT STATE UNKNOWN: switch the supply off at its own switch, now, and pull the leads"


def emergency_off(
    supply: Supply,
    outputs: Sequence[int],
    waits: WaitPoint,
    journal: Journal,
    *,
    verified_off: Callable[[], None] = lambda: None,
) -> Ended:
    """Switch everything off, ask whether `outputs` are off, and only then say and record it. Never raises.

    `verified_off` is called as soon as they are, before anything is recorded: recording may take its time.
    """
    said: list[str] = []
    bug: Exception | None = None
    with waits.emergency(BOUND_BY_HAND if supply.by_hand else BOUND):
        verified = _try(supply, outputs, waits, said)
        if not verified:
            # The person's hand at the switch is quicker than our tries: say it now, not after the last of them.
            bug = _guarded(lambda: journal.show("off-unknown", f"{UNKNOWN}. Trying again", why="; ".join(said)))
            verified = any(_try(supply, outputs, waits, said) for _ in range(TRIES - 1))
    if verified:
        bug = _guarded(verified_off) or bug
    told = _guarded(lambda: _say(journal, said, verified=verified, by_hand=supply.by_hand))
    return Ended(verified, bug or told)


def cut_off(supply: Supply, waits: WaitPoint, journal: Journal) -> None:
    """Tell every output off, once. Never raises: the emergency that follows tries again, asks and tells."""
    said: list[str] = []
    with waits.emergency(BOUND_OF_ONE):
        _try(supply, (), waits, said)
    if said:
        _guarded(lambda: journal.show("event", f"the first try at switching off: {'; '.join(said)}", kind="off"))


def _guarded(tell: Callable[[], None]) -> Exception | None:
    """Return what went wrong in telling: it must not keep the attempt from being closed, and is raised in the end."""
    try:
        tell()
    except Exception as bug:  # noqa: BLE001 - see above
        return bug
    return None


def _say(journal: Journal, said: Sequence[str], *, verified: bool, by_hand: bool) -> None:
    if verified:
        whose = "by the person's word" if by_hand else "verified by asking"
        journal.show("power", f"every output OFF, {whose}", on="no")
        journal.event_if_possible("power", f"every output OFF, {whose}", {"on": "no"}, show="")
    else:
        journal.show("off-unknown", UNKNOWN, why="; ".join(said))
        journal.event_if_possible("off-unknown", f"{UNKNOWN} ({'; '.join(said)})", show="")


def _try(supply: Supply, outputs: Sequence[int], waits: WaitPoint, said: list[str]) -> bool:
    try:
        with waits.emergency(BOUND_BY_HAND if supply.by_hand else BOUND_OF_ONE):
            done = waits.result(supply.all_off(), "supply", "every output off")
            said.extend(trouble.text for trouble in done.troubles if trouble.fault is not None or trouble.errors)
            if done.on is False:
                return True
            said.append("the supply says that an output is on" if done.on else "the supply does not say")
            asked = (waits.result(supply.settings(output), "supply", f"output {output}, state") for output in outputs)
            return bool(outputs) and all(found.on is False for found in asked)
    except (Exception, KeyboardInterrupt) as error:  # noqa: BLE001 - the next try comes first; it is kept and told
        said.append(f"{type(error).__name__}: {error}")
        return False
