"""`listen`: sends lines to the board, waits for text on one of its serial lines, makes readings of what it says.

A board that stays silent, or says something else, fails the step; a line that is gone leaves it without a value, for
that is no fault of the unit's for certain. All that came is kept, whatever becomes of the step (runner.listening).
"""

from __future__ import annotations

from bringup.core.listening import Listen, kinds_of, program_of, readable, sent_bytes, value_of
from bringup.core.reading import BY_BOARD
from bringup.core.replies import Value
from bringup.core.search import Found
from bringup.core.wording import duration
from bringup.core.words import LimitsFrom
from bringup.runner.endings import BrokenOff
from bringup.runner.headings import heading
from bringup.runner.listening import HeardLine
from bringup.runner.own_word import beside_the_meter
from bringup.runner.work import Judged, Work

LENT_WITHIN = 2.0
"""Seconds in which a port has to be closed."""
SENT_WITHIN = 5.0
"""Seconds in which bytes have to be out; more means that something holds the line up."""


def listen(work: Work, action: Listen) -> None:
    """Send, wait, judge. Raises an Ending where something else ends the attempt."""
    heard = work.lines.lines.get(action.line)
    if heard is None:
        raise BrokenOff(f"this bench has no serial line {action.line}")
    heard.take()
    if action.only_new:
        heard.forget()
    begun, came = work.waits.clock.monotonic(), heard.passed
    pending = heard.want(program_of(action), action.bad) if action.waits else None
    there = pending is not None and pending.done
    try:
        if action.send and not _sent(work, action, heard):
            return
        if pending is None:
            return
        done = work.waits.until(pending, begun + action.within.number, heading(work.this_step))
        outcome = pending.value() if done else heard.give_up()
    finally:
        heard.give_up()  # nothing is written here: where the attempt ends, the outputs go off before anything is kept
    work.journal.write_texts(all_of_them=True)
    took = work.waits.clock.monotonic() - begun
    if outcome.found is not None:
        _found(work, action, outcome.found, "had come already" if there else f"came after {duration(took)}")
    elif outcome.bad:
        work.tally.failed.append(f"{action.line} said {outcome.bad!r}: {readable(outcome.bad_line)}")
    else:
        _not_found(work, action, heard, came)


def lend_lines(work: Work) -> None:
    """Let go of the ports that a program of this computer needs, before it is started."""
    until = work.waits.clock.monotonic() + LENT_WITHIN
    for lent in work.lines.lend():
        if not work.waits.until(lent, until):
            raise BrokenOff("a serial port that a program needs cannot be let go of")


def _sent(work: Work, action: Listen, heard: HeardLine) -> bool:
    """Send the lines; returns whether they are out."""
    until = work.waits.clock.monotonic() + SENT_WITHIN
    sending = heard.line.send(sent_bytes(action))
    done = work.waits.until(sending, until, heading(work.this_step))
    why = sending.value() if done else "it takes no more bytes: something holds it up"
    lines = ", ".join(map(repr, action.send))
    if why:
        work.tally.missing.append(f"{lines} could not be sent to {action.line}: {why}")
        return False
    data = {"line": action.line, "sent": "\n".join(action.send), "line end": action.line_end}
    work.journal.event("sent", f"sent to {action.line}: {lines}", data)
    return True


def _found(work: Work, action: Listen, found: Found, came: str) -> None:
    """Keep what was found, and a reading for each group that is one."""
    data = {"line": action.line, "text": readable(found.text)}
    data |= {name: readable(found.groups.get(name, "")) for name in action.words}
    said = "".join(f"; {name} {data[name]!r}" for name in action.words)
    work.journal.event("heard", f"{action.line}: {data['text']!r} {came}{said}", data)
    expect = work.this_step.expect
    for name, kind in kinds_of(action, expect):
        text = found.groups.get(name)
        value = Value(None, "", why="the text that was found has none")
        if text is not None:
            value = value_of(text, action.units.get(name, ""), kind)
        limits = expect.get(name)
        judged = Judged(limits, LimitsFrom.NONE if limits is None else LimitsFrom.PROCEDURE)
        if (point := action.rails.get(name)) is not None:
            judged = beside_the_meter(work, point, value, judged, action.agrees.get(name))
            work.keep(point, kind, value, judged, instrument=action.line, aspect=BY_BOARD)
        else:
            work.keep(None, kind, value, judged, instrument=action.line, aspect=name)


def _not_found(work: Work, action: Listen, heard: HeardLine, came: int) -> None:
    within = duration(action.within.number)
    if heard.line.gone:
        work.tally.missing.append(f"{action.wanted} was not heard: {action.line} is gone ({heard.line.gone})")
        return
    if heard.characters == came:
        rest = f"nothing came on {action.line}"
    else:
        rest = f"{heard.characters - came} characters came on {action.line}, the last line {heard.latest!r}"
    work.tally.failed.append(f"{action.wanted} did not come within {within}: {rest}")
