"""`bringup bench --find --write FILE`: which of the found plays which role, the ceilings, and the file.

A ceiling or a dialect is never made up: whoever does not state it finds it marked in the file, and `bringup check`
refuses the file until it is stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from bringup.commands.find_asking import Dialects, Prompt
from bringup.commands.find_text import Found, tell, title, who
from bringup.commands.saving import save
from bringup.commands.saying import say
from bringup.core.quantity import parse_quantity
from bringup.errors import CommandError, ExitCode, NotationError
from bringup.files.bench_writing import BenchWritten, RoleWritten, bench_text
from bringup.files.shapes import LONGEST_NAME
from bringup.files.wording import nearest

HAND = ("h", "by hand")
CEILINGS = (("voltage", "V", "30 V"), ("current limit", "A", "1 A"))


def write_bench(path: Path, found: Sequence[Found], prompt: Prompt, dialects: Dialects, *, force: bool) -> ExitCode:
    """Ask for roles and ceilings, write the file, and tell what is still to be stated in it. Raises CommandError."""
    say("\nWhich instrument plays which role")
    supply = _role("supply", found, prompt, taken=None)
    meter = _role("meter", found, prompt, taken=supply)
    if supply is None and meter is None:
        say("No supply and no meter: nothing was written.")
        return ExitCode.STOPPED
    voltage, current = ("", "")
    if supply is not None:
        say("\nWhat no step may exceed on this bench, whatever a procedure says")
        voltage, current = (_ceiling(name, unit, example, prompt) for name, unit, example in CEILINGS)
    chosen = [each for each in (supply, meter) if isinstance(each, Found)]
    bench = BenchWritten(
        path.stem.strip()[:LONGEST_NAME] or "bench",
        _written("supply", supply, prompt, dialects),
        _written("meter", meter, prompt, dialects),
        voltage,
        current,
        _backend(chosen),
        datetime.now(UTC).astimezone().date(),
    )
    save({path: bench_text(bench)}, force=force)
    say(f"\nWritten: {path}")
    return _told_what_is_left(path)


def _role(role: str, found: Sequence[Found], prompt: Prompt, taken: Found | str | None) -> Found | str | None:
    """Return who plays the role: one of those found, 'by hand', or None."""
    able = {
        str(each.number): each for each in found if each.resource and not (isinstance(taken, Found) and each is taken)
    }
    fitting = [number for number, each in able.items() if any(one.role == role for one in each.suggested)]
    usual = fitting[0] if len(fitting) == 1 else ""
    numbers = f"{', '.join(able)}, " if able else ""
    while True:
        said = prompt(f"The {role} ({numbers}h: by hand; Enter: {usual or 'none'})").lower() or usual
        if said in HAND:
            return HAND[1]
        if said in ("", "none", "n"):
            return None
        if said in able:
            return able[said]
        say(f"      there is no {said} to choose")


def _written(role: str, who_plays: Found | str | None, prompt: Prompt, dialects: Dialects) -> RoleWritten | None:
    if who_plays is None:
        return None
    if not isinstance(who_plays, Found):
        return RoleWritten(None)
    known = who_plays.known
    return RoleWritten(
        who_plays.resource,
        _dialect(role, who_plays, prompt, dialects),
        who_plays.seen.resources[1:],
        called=title(who_plays) + ("" if known is None else f": {who(known)}"),
        identity=who_plays.identity,
        baud=who_plays.baud,
    )


def _dialect(role: str, found: Found, prompt: Prompt, dialects: Dialects) -> str:
    """Return the dialect that fits, or that the person names; '' where it is to be stated later."""
    fitting = [each.dialect for each in found.suggested if each.role == role]
    if len(fitting) == 1:
        return fitting[0]
    known = sorted(each.name for each in dialects.of(role))
    many = "Several dialects fit" if fitting else "No dialect is known to fit"
    tell(["", f"{many} number {found.number}. There are:", f"      {', '.join(fitting or known)}"])
    while True:
        said = prompt(f"Dialect of the {role} (Enter: state it in the file later)")
        if not said or said in known:
            return said
        tell([f"      no dialect for a {role} is called '{said}': {nearest(said, known)}"])


def _ceiling(name: str, unit: str, example: str, prompt: Prompt) -> str:
    """Return a ceiling as typed, once it can be read; '' where it is to be stated later."""
    while True:
        said = prompt(f"Highest {name}, such as {example} (Enter: state it in the file later)")
        if not said:
            return ""
        try:
            if parse_quantity(said, unit).value > 0:
                return said
            say("      it has to be above zero")
        except NotationError as error:
            tell([f"      {error.message}. {error.what_to_do}".rstrip()])


def _backend(chosen: Sequence[Found]) -> str:
    """Return the backend that the file has to name. Raises CommandError where the two roles need different ones."""
    needed = {each.seen.backend for each in chosen}
    if len(needed) > 1 and "" in needed:
        needed.discard("")  # what the usual backend reaches, a whole VISA library does as well
    if len(needed) > 1:
        raise CommandError(
            f"a bench has one backend, and these need {' and '.join(sorted(needed))}",
            "Choose instruments that one of them lists. Nothing was written.",
        )
    return next(iter(needed), "")


def _told_what_is_left(path: Path) -> ExitCode:
    """Check what was written, and say what it still lacks."""
    from bringup.files.any_file import read_any

    problems = read_any(path).problems
    for problem in problems:
        head, *source = str(problem).split("\n")
        tell([head])
        say("\n".join(source))
    if problems:
        say(f"`bringup check {path}` refuses it until that is stated.")
    else:
        say(f"`bringup check {path}` accepts it. Next: bringup bench --bench {path}")
    return ExitCode.PASSED
