"""The emergency way off: every output at once, no waits, no commit first, verified by asking, tried again.

A supply that cannot be reached is tried on and on, ever more seldom, for the person's hand may be far from the switch;
meanwhile the screen and the logbook say that the state is unknown. A try works in the wait point's emergency mode,
where interruptions stay latched and every wait has a hard end. Nothing here raises: whatever goes wrong becomes part of
what the person is told when the state stays unknown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bringup.core.frozen import frozen
from bringup.errors import BringupError
from bringup.runner.guarding import Guarding
from bringup.runner.journal import Journal
from bringup.runner.readback import whose_word
from bringup.runner.records import LinkFault
from bringup.runner.roles import Done, Supply
from bringup.runner.wait import WaitPoint

TRIES = 3
BOUND = 15.0
"""Seconds for all tries together: a link that timed out needs one try to be opened again."""
BOUND_OF_ONE = 5.0
"""Seconds for one try: a call that hangs is left behind by the next one, which goes out on another session."""
SHORTEST_PAUSE, LONGEST_PAUSE = 1.0, 30.0
"""Seconds between two further tries: doubled from one to the next."""
TRY_ON_ALONE, TRY_ON_WITH_SOMEBODY = 120.0, 3600.0
"""Seconds for which a supply that is lost is tried on: with nobody there, and with a person who can end it."""
STOP_KEY = "q"
"""What the person presses once the supply is off at its switch."""
READ_WITHIN = 2.0
"""Seconds after the words on the screen before which a Ctrl-C is impatience with the attempt, no answer to them."""
SILENCE = frozenset({LinkFault.TIMEOUT, LinkFault.LOST, LinkFault.NOT_SENT})
"""Faults that say nothing of the outputs: nobody answered."""
BOUND_BY_HAND = 120.0
"""Seconds that a person may take to switch off and say so."""


@frozen
class Ended:
    """What the emergency came to."""

    verified: bool
    """The supply was asked and said that every output of ours is off."""
    bug: Exception | None = None
    """What went wrong in telling or recording it: to be raised once everything else is done."""
    still_off: bool = False
    """It does not answer, but was verified off before and told nothing since that could have changed that."""


@frozen
class Alarm:
    """What is known before the first try of what the person is told if it brings nothing."""

    lost: str = ""
    """Why the supply is known not to answer: nobody waits for a try before the words come. '' if it may answer."""
    known_off: bool = False
    """Every output of ours was verified off, and none was told anything that could switch it on since."""


NOT_YET = Alarm()
"""Nothing is known: the first try tells."""
STILL_OFF = (
    "the supply does not answer any more; every output was OFF, verified by asking, and none was switched on since: "
    "look at its panel before you touch the board"
)
UNKNOWN = "OUTPUT STATE UNKNOWN: switch the supply off at its own switch, now, and pull the leads"
EVERY = UNKNOWN.replace("the supply off", "every supply off")
TRYING_ON = "It is tried again and again; q ends that once the supply is off at its switch"


def unknown_of(supplies: int) -> str:
    """Return the large words: of several supplies the person switches every one off, whichever it was."""
    return UNKNOWN if supplies == 1 else EVERY


def emergency_off(
    supply: Supply,
    outputs: Sequence[int],
    waits: WaitPoint,
    journal: Journal,
    guarding: Guarding,
    then: Callable[[], Exception | None] = lambda: None,
    alarm: Alarm = NOT_YET,
) -> Ended:
    """Switch everything off, ask whether `outputs` are off, and only then say and record it. Never raises.

    `then`: what goes off after the first tries, whatever became of them: the load. It returns what went wrong in it.
    With a supply by hand it goes first: it would draw for as long as the person takes to reach the switch.

    `guarding` hears of it as soon as they are, before anything is recorded, for recording may take its time; and it
    hears before every further try how long that may take, lest the guardian take it for a hang.
    """
    said: list[str] = []
    bug = then() if supply.by_hand else None
    shown = waits.clock.monotonic()
    unknown = unknown_of(len(supply.parts))
    text = unknown if supply.by_hand else f"{unknown}. {TRYING_ON}"
    at_once, verified, still_off, tries = bool(alarm.lost) and not alarm.known_off, False, alarm.known_off, 0
    if at_once:
        if len(supply.parts) > 1:
            bug = _guarded(lambda: _tell_off(supply)) or bug  # the others answer, and do not wait for words
        bug = _guarded(lambda: journal.show("off-unknown", text, why=alarm.lost)) or bug
    with waits.emergency(BOUND_BY_HAND if supply.by_hand else BOUND):
        while not verified and tries < TRIES:
            tries += 1
            answer = _try(supply, outputs, waits, said)
            verified, still_off = answer is True, still_off and answer is None
            if tries == 1 and not verified and not still_off:
                # The person's hand at the switch is quicker than our tries: say it now, not after the last of them.
                if not at_once:
                    bug = _guarded(lambda: journal.show("off-unknown", text, why="; ".join(said))) or bug
                    shown = waits.clock.monotonic()
                # What was pressed before this was said does not mean that the supply is off at its switch.
                bug = _guarded(waits.forget_pressed) or bug
    if not supply.by_hand:
        bug = then() or bug
    if not verified and still_off:
        why = f"{STILL_OFF} ({'; '.join(dict.fromkeys(said))})"
        return Ended(False, _guarded(lambda: journal.event_if_possible("supply-silent", why)) or bug, still_off)
    if not verified and not supply.by_hand:
        bug = _guarded(lambda: _record_unknown(journal, text, said)) or bug
        said = []
        verified = _tried_on(supply, outputs, waits, said, guarding, shown)
        bug = _guarded(lambda: journal.event_if_possible("tried-on", "; ".join(said))) or bug
    if verified:
        bug = _guarded(guarding.all_off) or bug
    told = _guarded(lambda: _say(journal, said, unknown, verified=verified, by_hand=supply.by_hand))
    return Ended(verified, bug or told)


def _tried_on(
    supply: Supply, outputs: Sequence[int], waits: WaitPoint, said: list[str], guarding: Guarding, shown: float
) -> bool:
    """Try on until it works, the person ends it, or it has lasted too long. `said`: how it ended. Never raises.

    `shown`: when the person was told of it. No signal of the system is a person's word: only the key, or a Ctrl-C that
    came when the words could have been read.
    """
    try:
        return _keep_trying(supply, outputs, waits, said, guarding, shown)
    except (Exception, KeyboardInterrupt) as error:  # noqa: BLE001 - told and recorded: the attempt must be closed
        said.append(f"the trying ended: {type(error).__name__}: {error}")
        return False


def _keep_trying(
    supply: Supply, outputs: Sequence[int], waits: WaitPoint, said: list[str], guarding: Guarding, shown: float
) -> bool:
    begun, pause, tries = waits.clock.monotonic(), SHORTEST_PAUSE, 0
    longest = TRY_ON_WITH_SOMEBODY if waits.attended else TRY_ON_ALONE
    while True:
        if ended_by := waits.pause(pause, STOP_KEY, ctrl_c_from=shown + READ_WITHIN):
            said.append(f"the person ended the trying ({ended_by}) after {tries} more tries")
            return False
        tries, pause = tries + 1, min(2 * pause, LONGEST_PAUSE)
        guarding.emergency(BOUND_OF_ONE + pause)
        if _try(supply, outputs, waits, []):
            lasted = waits.clock.monotonic() - begun
            said.append(f"the supply is reached again after {lasted:.0f} s and {tries} more tries")
            return True
        if waits.clock.monotonic() - begun >= longest:
            said.append(f"the supply was not reached in {longest:.0f} s and {tries} more tries: given up")
            return False


def cut_off(supply: Supply, waits: WaitPoint, journal: Journal) -> None:
    """Tell every output off, once. Never raises: the emergency that follows tries again, asks and tells."""
    said: list[str] = []
    with waits.emergency(BOUND_OF_ONE):
        _try(supply, (), waits, said)
    if said:
        _guarded(lambda: journal.show("event", f"the first try at switching off: {'; '.join(said)}", kind="off"))


def _tell_off(supply: Supply) -> None:
    supply.all_off()


def _guarded(tell: Callable[[], None]) -> Exception | None:
    """Return what went wrong in telling: it must not keep the attempt from being closed, and is raised in the end."""
    try:
        tell()
    except Exception as bug:  # noqa: BLE001 - see above
        return bug
    return None


def _say(journal: Journal, said: Sequence[str], unknown: str, *, verified: bool, by_hand: bool) -> None:
    if verified:
        whose = "by the person's word" if by_hand else "verified by asking"
        journal.show("power", f"every output OFF, {whose}", on="no", why="; ".join(dict.fromkeys(said)))
        journal.event_if_possible("power", f"every output OFF, {whose}", {"on": "no"}, show="")
    else:
        journal.show("off-unknown", unknown, why="; ".join(dict.fromkeys(said)))
        _record_unknown(journal, unknown, said)


def _record_unknown(journal: Journal, text: str, said: Sequence[str]) -> None:
    journal.event_if_possible("off-unknown", f"{text} ({'; '.join(dict.fromkeys(said))})", show="")


def _try(supply: Supply, outputs: Sequence[int], waits: WaitPoint, said: list[str]) -> bool | None:
    """Tell every output off and ask. Returns whether they are off; None where nobody answered."""
    done, bound = Done(), BOUND_BY_HAND if supply.by_hand else BOUND_OF_ONE
    until = waits.clock.monotonic() + bound
    try:
        with waits.emergency(bound):
            done = waits.result(supply.all_off(), "supply", "when told to switch every output off")
            said.extend(trouble.text for trouble in done.troubles if trouble.fault is not None or trouble.errors)
            if done.on is False:
                return True
            said.append(whose_word(done.on, by_hand=supply.by_hand).replace("it is", "an output is"))
            when = "when asked whether {} is off"
            asked = (
                waits.result(supply.settings(each), "supply", when.format(supply.called(each))) for each in outputs
            )
            if outputs and waits.clock.monotonic() < until and all(found.on is False for found in asked):
                return True
            return None if done.on is None and any(each.fault in SILENCE for each in done.troubles) else False
    except BringupError as error:
        said.append(error.message)
        return False if done.on else None
    except (Exception, KeyboardInterrupt) as error:  # noqa: BLE001 - the next try comes first; it is kept and told
        said.append(f"{type(error).__name__}: {error}")
        return False
