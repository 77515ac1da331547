"""What `bringup bench --find` found: as records, as lines for people and as data for programs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from bringup.commands.saying import columns, say
from bringup.core.bench import Identity
from bringup.core.frozen import frozen
from bringup.core.wording import folded
from bringup.files.bench_named import Named
from bringup.instruments.finding.access import Denied
from bringup.instruments.finding.looking import Place
from bringup.instruments.finding.sighting import Sighting

KINDS = {"lan": "network", "usb": "USB", "gpib": "GPIB", "serial": "serial port", "other": "other"}
COPIED = " " * 10
"""What a line begins with that is to be copied."""
NOTHING = (
    "Nothing was found. What may help:",
    "  network: it may be in another subnet, or a firewall may keep its answer away",
    "  network: many announce nothing; their menu shows the address for `resource: 'TCPIP0::ADDRESS::5025::SOCKET'`",
    "  USB, GPIB, serial: the cable, which interface is chosen at the instrument, a missing driver or VISA library",
    "  an instrument without any interface: `supply: by hand`, `meter: by hand`",
)


@frozen
class Suggested:
    """A dialect that fits, and for which role it is."""

    dialect: str
    role: str


@frozen
class Found:
    """One thing that was found. `number` is what people call it by."""

    number: int
    seen: Sighting
    named: tuple[Named, ...] = ()
    denied: Denied | None = None
    identity: Identity | None = None
    """What it answered, if it was asked."""
    problem: str = ""
    """Why it did not answer."""
    asked: bool = False
    baud: int | None = None
    suggested: tuple[Suggested, ...] = ()

    @property
    def resource(self) -> str:
        """How it is reached best; '' where nothing tells."""
        return self.seen.resources[0] if self.seen.resources else ""

    @property
    def known(self) -> Identity | None:
        """Who it is: by its answer, else by what it announces."""
        return self.identity or self.seen.announced


def tell(lines: Iterable[str]) -> None:
    """Print lines, broken at words where they go to a terminal; commands and rules to be copied stay whole."""
    width = columns(unknown=None)
    say("\n".join(each if each.startswith(COPIED) else folded(each, width) for each in lines))


def who(identity: Identity) -> str:
    """Return an identity in words."""
    parts = [identity.maker or "-", f"model {identity.model or '-'}", f"serial number {identity.serial or '-'}"]
    return ", ".join([*parts, f"firmware {identity.firmware}"] if identity.firmware else parts)


def found_lines(found: Found) -> list[str]:
    """Return what is shown of one thing before it is asked."""
    seen = found.seen
    lines = [f"{found.number:>2}  {title(found)}"]
    if seen.resources:
        lines.append(f"      {seen.resources[0]}" + (f"   (backend: '{seen.backend}')" if seen.backend else ""))
        lines += [f"      also {each}" for each in seen.resources[1:]]
    if seen.announced is not None:
        lines += [f"      announces itself as {who(seen.announced)}", *suggestion_lines(found)]
    lines += [f"      {each}" for each in (seen.remark, seen.doubt) if each]
    lines += [f"      named in {each.path} as its {each.role}" for each in found.named]
    if found.denied is not None:
        lines += [f"      {each}" for each in found.denied.lines()]
    return lines


def title(found: Found) -> str:
    """Return what a thing is called, in one line."""
    seen = found.seen
    parts = [KINDS[seen.kind]]
    if seen.kind == "lan":
        parts[0] += f" {seen.place.removeprefix('lan ')}"
    if seen.device:
        parts[0] += f" {seen.device}"
    parts += [seen.name] if seen.name else []
    if seen.usb is not None:
        parts.append(f"USB {seen.usb.numbers}")
        parts += [f"serial number {seen.usb.serial}"] if seen.usb.serial else []
    return ", ".join(parts)


def answer_lines(found: Found) -> list[str]:
    """Return what is shown of one thing after it was asked."""
    if found.identity is None:
        return [f"      no answer: {found.problem}"]
    return [f"      answers: {who(found.identity)}", *suggestion_lines(found)]


def suggestion_lines(found: Found) -> list[str]:
    """Return which dialect fits what it says of itself."""
    if not found.suggested:
        return ["      no dialect is made for that: see `bringup check --fields dialect`"]
    by = "" if found.identity is not None else ", if it is what it announces"
    return [f"      dialect {each.dialect} ({each.role}){by}" for each in found.suggested]


def place_lines(places: Sequence[Place]) -> list[str]:
    """Return where was looked, with what came of it."""
    looked = ", ".join(f"{each.name} ({len(each.sightings) or 'nothing'})" for each in places if not each.problem)
    lines = [f"Looked at: {looked}." if looked else "Nothing could be looked at."]
    lines += [f"  {each.name}: {each.problem}" for each in places if each.problem]
    return lines + [f"  {each.name}: {each.remark}" for each in places if each.remark]


def found_data(found: Found) -> dict[str, Any]:
    """Return what is printed of one thing as JSON."""
    seen = found.seen
    return {
        "number": found.number,
        "kind": seen.kind,
        "resource": found.resource or None,
        "other_resources": list(seen.resources[1:]),
        "backend": seen.backend or "@py",
        "seen_by": list(seen.seen_by),
        "name": seen.name or None,
        "device": seen.device or None,
        "usb": None if seen.usb is None else asdict(seen.usb) | {"numbers": seen.usb.numbers},
        "announced": None if seen.announced is None else asdict(seen.announced),
        "dialects_that_fit": [each.dialect for each in found.suggested],
        "named_in": [{"path": str(each.path), "role": each.role} for each in found.named],
        "remark": seen.remark or None,
        "doubt": seen.doubt or None,
        "no_permission": denied_data(found.denied),
        "asked": found.asked,
    }


def denied_data(denied: Denied | None) -> dict[str, Any] | None:
    """Return what is printed of a missing permission as JSON."""
    return (
        None
        if denied is None
        else {
            "node": denied.node,
            "group": denied.group,
            "mode": denied.mode,
            "udev_rule": denied.rule,
            "what_to_do": denied.lines(),
        }
    )


def place_data(place: Place) -> dict[str, Any]:
    """Return what is printed of one place as JSON."""
    return {
        "place": place.name,
        "found": len(place.sightings),
        "problem": place.problem or None,
        "absent": place.absent,
        "remark": place.remark or None,
    }
