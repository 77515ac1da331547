"""What is said of a probe held by hand: where it goes, what it reads there, what else that could be. Pure."""

from __future__ import annotations

from bringup.core.board import Board
from bringup.core.contact import Contact, Sought, Standing, Why
from bringup.core.quantity import format_quantity
from bringup.core.wording import limits_text, listed


def where(board: Board, point: str) -> str:
    """Return a point as people find it: 'TP4 (3V3)'; a node that the board file does not name by its name alone."""
    probe = board.point(point).probe if point in board.inputs or point in board.rails else None
    return f"{probe} ({point})" if probe else point


def told(sought: Sought, contact: Contact, board: Board) -> str:
    """Say what the point reads and what speaks against taking it by itself."""
    value = contact.value
    reads = "is over range"
    if value is not None and value.number is not None:
        reads = f"reads {format_quantity(value.number, 'V', resolution=value.resolution)}"
    said = "; ".join(_said(why, sought, contact, board) for why in contact.why)
    return f"{where(board, sought.point)} {reads}" + (f": {said}" if said else "")


def asked(sought: Sought, contact: Contact, board: Board) -> str:
    """Return what one key would take, as a question to whoever holds the probe."""
    probe = (board.point(sought.point).probe if sought.point in {*board.inputs, *board.rails} else None) or sought.point
    kept = "a FAILED reading" if contact.standing is Standing.OFFERED else "the reading"
    return f"{told(sought, contact, board)}. Enter or the pedal, with the probe on {probe}: that is {kept}"


def _said(why: Why, sought: Sought, contact: Contact, board: Board) -> str:
    like = [name for name in contact.like if sought.last is None or name != sought.last[0]]
    if why is Why.ALIKE and not like:
        like = list(contact.like)
    last = "the last point" if sought.last is None else where(board, sought.last[0])
    low, high = ("", "") if contact.spread is None else (format_quantity(end, "V") for end in contact.spread)
    turned = ""
    number = None if contact.value is None else contact.value.number
    if why is Why.OUTSIDE and number is not None and sought.limits is not None and sought.limits.accepts(-number):
        turned = " (the sign is wrong: are the meter's leads the wrong way round?)"
    return {
        Why.ALIKE: "this reads like " + listed(_at(name, board) for name in like),
        Why.SAME: f"the same as {last} read",
        Why.NEAR_ZERO: "an open probe reads like that, too",
        Why.NOT_SEEN_LIFTED: f"the probe was not seen to leave {last}",
        Why.NOT_AS_SET: "not the volts that are set"
        if sought.due is None
        else f"{format_quantity(sought.due, 'V')} are set",
        Why.NO_LIMITS: "no limits to know it by",
        Why.OUTSIDE: f"outside {limits_text(sought.limits)}{turned}",
        Why.UNSTEADY: f"never settled ({low} .. {high})",
    }[why]


def _at(name: str, board: Board) -> str:
    probe = board.point(name).probe
    return f"{name}, at {probe}" if probe else name
