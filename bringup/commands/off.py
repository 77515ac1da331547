"""`bringup off`: every output of the bench off, now, whoever holds it, verified by asking.

Whoever holds the bench is asked first, since most instruments take one client; then the supply is opened from here.
Nothing else of the bench is needed. Where off cannot be verified, it is said in large words.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack, nullcontext, redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bringup.commands.common import bench_option, find_bench, json_option, print_json, show_left_messages
from bringup.commands.reaching import dialect_of, instrument_locks, lock_name, wanted_of
from bringup.commands.saying import say
from bringup.core.bench import Bench, SupplyRole
from bringup.core.wording import listed
from bringup.errors import BenchError, BringupError, ExitCode
from bringup.runner.emergency import UNKNOWN

if TYPE_CHECKING:
    from bringup.host.control import Outcome
    from bringup.instruments.opening import Wanted
    from bringup.instruments.visa_link import VisaLink
    from bringup.runner.roles import Done, Supply

    Ask = Callable[[int, str, float], Outcome | None]
    """Asks the holder of a lock, by its process, within so many seconds."""

HOLDER_WITHIN = 20.0
"""Seconds for whoever holds the bench to switch off and verify it: longer than its own bound."""
HOLDER_OF_LOAD_WITHIN = 4.0
"""Seconds for an attempt with a supply by hand: it switches the load off at once, but answers only once the person
there has said what became of the supply, and who asks here must not wait for that."""
GUARDIAN_WITHIN = 30.0
"""Seconds for the guardian, which may have to wait until an attempt that heard late has switched off and kept it."""
LOAD_WITHIN = 3.0
"""Seconds for which the load is tried: the person must hear soon that its switch is what is left."""
TRIES = 3
TURNED_AWAY = 0.6
"""Seconds in which a supply that refuses the connection is tried again."""
BY_ITS_PERSON = (
    " The load goes off at once; its answer waits for the person there to say what became of the supply, and is "
    f"waited for {HOLDER_OF_LOAD_WITHIN:g} s at most."
)
FRAME = "=" * 76


@click.command()
@bench_option
@json_option
def command(bench: Path | None, as_json: bool) -> ExitCode:
    """Switch every output of the bench off, now, whoever holds it; outputs in `leave_alone` stay as they are.

    A load of the bench goes off after the supply. With --json what is said goes to standard error; `off_verified` is
    true, false (UNKNOWN) or null (nothing to switch off); of several supplies, each is told under `supplies` too.

    Exit codes: 0 off, verified by asking; 2 a wrong bench file; 3 the state of one is UNKNOWN: use the switch.
    """
    from bringup.files.bench_file import load_bench

    show_left_messages()
    described = load_bench(find_bench(bench))
    role = described.supply
    if role is None and described.load is None:
        raise BenchError(f"{described.name} has no supply", "There is nothing that this command could switch off.")
    with redirect_stdout(sys.stderr) if as_json else nullcontext():
        each: dict[str, bool | None] = {}
        if described.more_supplies:
            from bringup.commands.off_several import every_supply_off, together

            each, load_asked = every_supply_off(described)
            outputs = together(each)
        else:
            outputs, load_asked = (None, False) if role is None else outputs_off(described, role)
        alone = role is None or role.by_hand
        load = None if load_asked else load_alone(described) if alone else load_too(described)
    if as_json:
        left = [] if role is None else list(role.leave_alone)
        told = {"bench": described.name, "off_verified": outputs, "left_alone": left, "load_off_verified": load}
        supplies = {
            one.name: {"off_verified": each[one.name], "left_alone": list(one.leave_alone)}
            for one in described.supplies
            if one.name in each
        }
        print_json({**told, "supplies": supplies} if supplies else told)
    return ExitCode.STOPPED if False in (outputs, load) else ExitCode.PASSED


def outputs_off(described: Bench, role: SupplyRole, ask: Ask | None = None) -> tuple[bool | None, bool]:
    """Switch a supply off: whether that was verified (None: nothing to switch), and whether a holder did the load.

    `ask`: how whoever holds it is asked, where several supplies are seen to at once.
    """
    if role.by_hand:
        unknown("the supply is set by hand: nobody but you can switch it off, or see that it is off")
        return False, False
    said: list[str] = []
    if ask_holders(described, said, role.name, ask=ask):
        return True, True
    if role.resource is None:
        if said:
            unknown("; ".join(said), role.name)
            return False, False
        which = f"The {role.name} of {described.name}" if described.more_supplies else described.name
        say(f"{which} is simulated and nobody is using it: there is nothing to switch off.")
        return None, False
    try:
        verified = switch_off(described, role, said, ask)
    except BringupError as error:
        said.append(error.message)
        verified = False
    if not verified:
        unknown("; ".join(said), role.name)
        return False, False
    if said:
        say("\n".join(said), err=True)
    whose = of_which(described, role)
    say(f"Every output{whose} of {described.name} is OFF, verified by asking: {named(role)}{spared(role)}.")
    return True, False


def load_alone(bench: Bench) -> bool | None:
    """Have the load switched off by whoever drives it, else by its guardian, else from here. Returns as `load_too`.

    An attempt that has heard it switches the load off at once, but answers only when the person there has said what
    became of the supply: its guardian, who would end it meanwhile, is asked only where nobody else has heard.
    """
    if bench.load is None:
        return None
    said: list[str] = []
    if ask_holders(bench, said, "load", insist=False):
        return True
    if said:
        say("\n".join(said), err=True)
    return load_too(bench)


def load_too(bench: Bench) -> bool | None:
    """Switch the load off as well, if the bench has one that is not simulated (else None). Returns whether it is."""
    from bringup.commands.load_off import UNKNOWN as LOAD_UNKNOWN
    from bringup.commands.load_off import LoadReached, load_off
    from bringup.host.lock import About, hold

    role = bench.load
    if role is None or role.resource is None:
        return None
    with ExitStack() as leave:
        try:
            leave.enter_context(hold((role.resource,), About("bringup off")))
        except BringupError as error:
            say(error.message, err=True)  # Somebody has it and did not help: it is tried all the same.
        why = load_off(LoadReached(role, dialect_of(bench, "load"), role.resource, bench.backend), try_for=LOAD_WITHIN)
    if why:
        say(f"{FRAME}\n{LOAD_UNKNOWN}\n{FRAME}\n{why}", err=True)
        return False
    say(f"Every channel of the load of {bench.name} is OFF, verified by asking.")
    return True


def unknown(why: str, supply: str = "supply") -> None:
    """Say in large words that nobody knows, and which supply's switch is left."""
    words = UNKNOWN.replace("the supply", f"the {supply}")
    say("\n".join((FRAME, *words.split(": ", 1), FRAME, why)), err=True)


def of_which(bench: Bench, role: SupplyRole) -> str:
    """Return which of several supplies that is, in words; '' where there is one."""
    return f" of the {role.name}" if bench.more_supplies else ""


def named(role: SupplyRole) -> str:
    """Return which outputs that is: a supply may have others, of which its bench file says nothing."""
    fed = role.outputs or {"": 1}
    ours = {number: name for name, number in fed.items() if number not in role.leave_alone}
    return listed(
        [f"output {number} ({name})" if name else f"output {number}" for number, name in sorted(ours.items())]
    )


def spared(role: SupplyRole) -> str:
    """Return what was left alone, in words."""
    if not role.leave_alone:
        return ""
    return f" (output {', '.join(map(str, role.leave_alone))} was left alone, as the bench file says)"


def ask_holders(
    bench: Bench, said: list[str], role: str = "supply", *, insist: bool = True, ask: Ask | None = None
) -> bool:
    """Have whoever drives that role switch off, else its guardian. Returns whether one did and verified it.

    Appends to `said` why not. A guardian that finds the attempt not answering ends it first, for most supplies speak
    to one program at a time. `insist`: also where the attempt has heard and does not know.
    """
    from bringup.commands.reaching import guardian_lock
    from bringup.host.control import Outcome

    resource = lock_name(bench, role)
    asked: set[int] = set()
    within = HOLDER_OF_LOAD_WITHIN if role == "load" else HOLDER_WITHIN
    outcome = _ask(bench, resource, within, asked, said, role, ask)
    if outcome is None or (insist and outcome is Outcome.UNKNOWN):
        outcome = _ask(bench, guardian_lock(resource), GUARDIAN_WITHIN, asked, said, role, ask)
    return outcome in (Outcome.OFF, Outcome.NONE)


def _ask(
    bench: Bench,
    name: str,
    within: float,
    asked: set[int],
    said: list[str],
    role: str,
    ask: Ask | None,
) -> Outcome | None:
    """Ask whoever holds that lock, unless it was asked before; it has so many seconds. None: nobody has heard."""
    from bringup.host.control import Outcome, ask_holder_off
    from bringup.host.lock import holder_of

    try:
        holder = holder_of(name)
        if holder is None or holder.pid in asked:
            return None
        asked.add(holder.pid)
        say(f"Asking {holder} to switch off ..." + (BY_ITS_PERSON if within == HOLDER_OF_LOAD_WITHIN else ""))
        outcome = ask_holder_off(name, within) if ask is None else ask(holder.pid, name, within)
    except BringupError as error:
        # Locks that cannot be read must not keep anybody from switching off.
        said.append(error.message)
        return None
    if outcome is Outcome.OFF:
        supply = next((each for each in bench.supplies if each.name == role), None)
        what = "channel of the load" if supply is None else f"output{of_which(bench, supply)}"
        which = "" if supply is None else f": {named(supply)}"
        say(f"Every {what} of {bench.name} is OFF, verified by {holder.command or 'its holder'}{which}.")
    elif outcome is Outcome.NONE:
        say(f"{bench.name} was simulated and has ended with its program: there is nothing left to switch off.")
    else:
        heard = "does not know what became of it" if outcome is Outcome.UNKNOWN else "does not take the request"
        said.append(f"{holder} {heard}")
    return outcome


def switch_off(bench: Bench, role: SupplyRole, said: list[str], ask: Ask | None = None) -> bool:
    """Open the supply and switch its outputs off. Returns whether it says so; appends to `said` what went wrong."""
    from bringup.commands.watchdog_off import disarm_ours
    from bringup.host.control import Outcome
    from bringup.host.lock import About, hold
    from bringup.runner.exchange import compare
    from bringup.runner.scpi_supply import ScpiSupply

    assert role.resource is not None
    dialect = dialect_of(bench, role.name)
    with ExitStack() as leave:
        try:
            leave.enter_context(hold((role.resource,), About("bringup off")))
        except BringupError as error:
            # Somebody has it and did not help: the outputs come first.
            said.append(error.message)
        link = open_supply(wanted_of(bench, {role.name: role.resource}), bench.backend)
        leave.callback(link.close)
        assert link.identity is not None
        compare(link.name, link.identity, role.expected, dialect)
        # Somebody may drive it under another name: who holds it should know why it goes off.
        drivers = instrument_locks(link.identity)
        told_off = (_ask(bench, name, HOLDER_WITHIN, set(), said, role.name, ask) for name in drivers)
        if any(outcome in (Outcome.OFF, Outcome.NONE) for outcome in told_off):
            return True
        supply = ScpiSupply(role, dialect, link)
        verified = any(_try(supply, said) for _ in range(TRIES))
        if verified and (still_armed := disarm_ours(supply, role, armed=False)):
            said.append(still_armed)
        return verified


def open_supply(wanted: Sequence[Wanted], backend: str) -> VisaLink:
    """Open the supply. One that turns us away at once is tried again: its last client may only just be leaving.

    Raises BenchError, after seconds at most: the person must hear soon that the switch is what is left.
    """
    from bringup.instruments.opening import connect

    give_up = time.monotonic() + TURNED_AWAY
    while True:
        try:
            return connect(wanted, backend=backend)[wanted[0].role]
        except BenchError:
            if time.monotonic() > give_up:
                raise
            time.sleep(TURNED_AWAY / 4)


def _try(supply: Supply, said: list[str]) -> bool:
    from bringup.instruments.opening import result

    try:
        done: Done = result(supply.all_off())
    except BringupError as error:
        said.append(error.message)
        return False
    said.extend(f"{trouble.sent}: {trouble.text}" for trouble in done.troubles)
    if done.on is not False:
        said.append("the supply says that an output is still on" if done.on else "the supply does not say")
    return done.on is False
