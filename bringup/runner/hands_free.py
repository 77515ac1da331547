"""Readings with a probe held by hand and a connected meter: taken by themselves once the probe is where it should be.

probe_search.py finds the point; here is what single keys do meanwhile: the last reading again, a point left out, an
extra reading. They do the same where somebody reads a meter that speaks to nobody and types what it shows.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from bringup.core.expectation import NOTHING, voltage_limits
from bringup.core.hazard import shock_points
from bringup.core.limits import Limits
from bringup.core.wording import shown
from bringup.core.words import Kind
from bringup.runner.damage import trip_if_damaging
from bringup.runner.held import Wished
from bringup.runner.key_words import AGAIN, EXTRA
from bringup.runner.measuring import settled
from bringup.runner.probe_search import Search
from bringup.runner.probe_words import where
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.reasons import not_a_reason
from bringup.runner.roles import Function
from bringup.runner.sureness import around_of
from bringup.runner.work import Judged, Settled, Work

T = TypeVar("T")


class PointLeftOut(Exception):  # noqa: N818 - a person's choice, not an error
    """The person leaves this one point out."""

    def __init__(self, why: str, point: str) -> None:
        super().__init__(why)
        self.why, self.point = why, point


def hands_free(work: Work, point: str) -> bool:
    """Whether somebody holds the probe there while a connected meter reads, and is here to be asked."""
    return work.setup.bench.probed_by_hand(point) and not work.meter.by_hand and work.setup.ask.attended


def by_hand(work: Work, point: str, limits: Limits | None, *, sure: bool = True) -> Settled:
    """Wait until the probe is on the point, and return what it reads there.

    Raises PointLeftOut where the person leaves it out, and whatever ends the attempt. `sure` False: it takes a key.
    """
    outer = work.held.seek(point, work.waits.clock.monotonic())
    try:
        while True:
            found = Search(work, point, limits, sure=sure).found()
            if found is not None:
                break
            _act(work, point)
    finally:
        work.held.seek(outer, work.waits.clock.monotonic())
    if point in work.board.inputs or point in work.board.rails:
        work.hands.reached(point)
    work.held.last = None if found.value.number is None else (point, found.value.number)
    return found


def typed_by_hand(work: Work, point: str, read: Callable[[], T]) -> T:
    """Return what somebody reads off a meter by hand, who may wish for something else first, by the same keys.

    `read` puts the leads there and reads; it is called again after each wish, the leads being anywhere by then. Raises
    PointLeftOut where the person leaves the point out, and whatever ends the attempt.
    """
    outer = work.held.seek(point, work.waits.clock.monotonic())
    try:
        while True:
            try:
                return read()
            except Wished:
                _act(work, point)
                work.hands.probe_moved()
    finally:
        work.held.seek(outer, work.waits.clock.monotonic())


def _act(work: Work, point: str) -> None:
    """Do what a key wished for while the point was sought. Raises PointLeftOut."""
    wish, work.held.wish = work.held.wish, ""
    if work.held.late:
        work.held.late = False
        text = f"l came before {where(work.board, point)} could be read here: press it again to leave that point out"
        work.journal.show("event", text, kind="key")
        return
    if wish == AGAIN:
        again, work.held.again = work.held.again, None
        if again is None:
            work.journal.show("event", "r: there is no reading of this step to take again", kind="key")
        else:
            again()
    elif wish == EXTRA:
        _extra(work)
    elif why := _reason(work, f"Why leave out {where(work.board, point)}? (Enter alone goes on with it)"):
        raise PointLeftOut(why, point)


def _reason(work: Work, text: str) -> str:
    """Ask for a reason in words that need not be given; return '' where it is not."""
    remark: tuple[str, ...] = ()
    while why := work.waits.answer(Prompt(PromptKind.TEXT, text, remark, optional=True)).text.strip():
        if not (said := not_a_reason(why)):
            return why
        remark = (said,)
    return ""


def _extra(work: Work) -> None:
    """Take an extra reading of a node that the person names: one of the board's, or any other."""
    text = "Extra reading: of which point or node? (Enter alone takes none)"
    name = work.waits.answer(Prompt(PromptKind.TEXT, text, optional=True)).text.strip()
    if not name:
        return
    board = work.board
    on_board = {each.casefold(): each for each in (*board.inputs, *board.rails)}
    on_board |= {(board.point(each).probe or each).casefold(): each for each in on_board.values()}
    point = on_board.get(name.casefold())
    if (why := _not_by_hand(work, point)) is not None:
        work.journal.show("event", f"no extra reading of {name}: {why}", kind="key")
        return
    limits, limits_from = NOTHING if point is None or not work.power.on else voltage_limits(board, point)
    try:
        found = _extra_found(work, point, name, limits)
    except PointLeftOut as choice:
        work.journal.event("probe", f"no extra reading of {name}: {choice.why}")
        return
    aspect = "extra" if point is not None else f"extra, at {name}"
    work.keep_settled(point, Kind.VOLTAGE, found, Judged(limits, limits_from), aspect=aspect)
    if point is not None:
        trip_if_damaging(work, point, found.value)


def _extra_found(work: Work, point: str | None, name: str, limits: Limits | None) -> Settled:
    if not work.meter.by_hand:
        return by_hand(work, point or name, limits, sure=point is not None)

    def read() -> Settled:
        work.hands.probe(point or name)
        return settled(work, Function.DC_VOLTS, point or name, around=around_of(limits), limits=limits)

    return typed_by_hand(work, point or name, read)


def _not_by_hand(work: Work, point: str | None) -> str | None:
    """Return why no hand goes there; None if one may."""
    hazardous = shock_points(work.setup.procedure)
    if point is None and hazardous:
        volts = max(hazardous.values())
        return f"this board carries up to {shown(volts, 'V')}, and it is not known where that node belongs"
    if point is None and work.setup.simulated_link is not None:
        return "the simulated board has no such node"
    if point in hazardous:
        return f"it carries up to {shown(hazardous[point], 'V')}; attach the meter with power off"
    if point is not None and not work.meter.by_hand and not work.setup.bench.probed_by_hand(point):
        return "the scanner reaches it: put it among the points of a step"
    return None
