"""`resistance`: ohms to ground and between points, every output verified off, the supply's leads off the board.

Each point is first read in volts: more than 50 mV means that it is charged or fed from elsewhere, and ohms would be
nonsense. So are the two places of a pair against each other, once both are dead against ground.

Who turns the dial of a meter by hand reads the volts of all points first, then all ohms. Nothing is powered and no lead
plugged in meanwhile; after a rework, or where volts typed earlier are corrected, volts come first again. Ohms charge
what they are read on, so swapped leads and pairs, which come after them, are rounds of their own.
"""

from __future__ import annotations

from decimal import Decimal

from bringup.core.board import Rail
from bringup.core.limits import Limits, judge
from bringup.core.reading import BEFORE_OHMS, TAKEN_AGAIN, Reading
from bringup.core.replies import Value
from bringup.core.sisters import LEAST_OHMS
from bringup.core.spots import Spot, spots_of
from bringup.core.stray_feeds import likely_feeds
from bringup.core.unpowered import Resistance
from bringup.core.verdict import sentence
from bringup.core.wording import shown
from bringup.core.words import FAILED, PASSED, How, Kind, LimitsFrom, Result
from bringup.runner.hands import LeadsPlace
from bringup.runner.hands_free import PointLeftOut, typed_by_hand
from bringup.runner.measuring import read_once
from bringup.runner.meter_leads import null_leads
from bringup.runner.ohms import take_ohms
from bringup.runner.roles import Function
from bringup.runner.volts_first import DEAD, say_why, typed_until_dead
from bringup.runner.work import Judged, Work

DEAD_LIMITS = Limits("V", low=Decimal("-0.05"), high=Decimal("0.05"), nominal=None, text="-50 mV .. 50 mV")
DISCHARGE = 60.0
"""Seconds a charged point is waited for as long as its voltage falls."""
EVERY = 0.5
FALLING = 0.98
"""A point that keeps more than this part of its voltage from one look to the next is not discharging."""
ALIKE = 1.1
"""Ohms both ways that differ by less than this factor are the same (common practice, no source)."""
TELLING = 100.0
"""Ohms below which it tells something that they are the same both ways (common practice, no source)."""


def resistance(work: Work, action: Resistance) -> None:
    """Measure every place of the leads; one that is not dead is not measured in ohms."""
    inputs = tuple(work.board.inputs)
    if not work.move_leads(LeadsPlace.OFF, "resistance is measured", inputs):
        work.power.require_off("resistance is measured")
    work.evidence.dead.clear()
    forward: dict[tuple[str, str | None], float | None] = {}
    left_out: dict[str, str] = {}
    nulled = False
    for spots in _rounds(work, action):
        work.held.again = None
        if work.meter.by_hand:
            _all_volts(work, spots, left_out)
            work.held.again = None
        if not nulled:
            null_leads(work, action)
            nulled = True
        for spot in spots:
            if missed := [left_out[point] for point in spot.points if point in left_out]:
                _left_out(work, spot, missed[0])
                continue
            try:
                reading = _taken(work, spot)
            except PointLeftOut as choice:
                work.held.again = None
                _left_out(work, spot, choice.why)
                continue
            if reading is None:
                continue
            _trust(work, spot, reading)
            if spot.reversed:
                _both_ways(work, spot, forward.get((spot.point, spot.other)), reading.value)
            forward[spot.point, spot.other] = reading.value
    work.held.again = None


def _rounds(work: Work, action: Resistance) -> list[list[Spot]]:
    """Return the places of the leads as they are gone through; by hand each round turns the dial once."""
    spots = list(spots_of(action))
    if not work.meter.by_hand:
        return [spots]
    kinds = dict.fromkeys(sorted((spot.other is not None, spot.reversed) for spot in spots))
    return [[spot for spot in spots if (spot.other is not None, spot.reversed) == kind] for kind in kinds]


def _all_volts(work: Work, spots: list[Spot], left_out: dict[str, str]) -> None:
    """Read the volts of every point, and across every other place, before any ohms. Adds points that are left out."""
    dead = work.evidence.dead
    for spot in spots:
        try:
            for point in spot.points:
                if Spot(point) not in dead and point not in left_out:
                    _volts(work, point)
            if not spot.plain and all(dead.get(Spot(point)) for point in spot.points):
                typed_by_hand(work, spot.point, lambda spot=spot: _all_dead(work, spot))  # type: ignore[misc]
        except PointLeftOut as choice:
            left_out[choice.point] = choice.why
    if any(dead.get(spot) for spot in spots):
        work.journal.show("hint", "  Now ohms. Plug nothing in until they are done: what is dead has to stay dead.")


def _volts(work: Work, point: str, old: Reading | None = None) -> None:
    """Read a point's volts off a meter by hand. `old`: what is taken again, if this is."""

    def read() -> Reading:
        work.evidence.doubt_resistance(point)
        work.hands.probe(point)
        return _dead(work, point, old)

    reading = typed_by_hand(work, point, read)
    work.held.again = lambda: _volts(work, point, reading)


def _taken(work: Work, spot: Spot, old: Reading | None = None) -> Reading | None:
    """Return the ohms of one place of the leads; None where volts are in the way. `old`: what is taken again.

    Who reads the meter by hand may take the last ones again, leave this place out, or take an extra reading first.
    """
    dead = work.evidence.dead

    def read() -> Reading | None:
        taken, doubted = old, False
        while _all_dead(work, spot):
            taken = take_ohms(work, spot, taken)
            if work.meter.by_hand and (taken.value or 0.0) < -LEAST_OHMS and not doubted:
                doubted = True
                work.journal.event("live", f"{spot.name} reads negative ohms, as what carries volts does: volts again")
                work.evidence.look_again(*spot.points)
            if all(Spot(point) in dead for point in spot.points):
                return taken
        return None

    reading = typed_by_hand(work, spot.point, read) if work.meter.by_hand else read()
    if reading is not None:
        work.held.again = lambda: _again(work, spot, reading)
    return reading


def _again(work: Work, spot: Spot, old: Reading) -> None:
    """Take ohms again; left out after all, the old ones stand."""
    try:
        reading = _taken(work, spot, old)
    except PointLeftOut as choice:
        work.journal.event("probe", f"{spot.name} was not taken again: {choice.why}")
        work.held.again = lambda: _again(work, spot, old)
        return
    if reading is not None:
        for point in spot.points if spot.plain else ():
            work.evidence.doubt_resistance(point)
        _trust(work, spot, reading)


def _left_out(work: Work, spot: Spot, why: str) -> None:
    """Keep that a place was left out: nothing is known of its points."""
    for point in spot.points:
        work.evidence.doubt_resistance(point)
    nothing = Value(None, "", why=f"left out: {why}")
    kept = work.keep(spot.point, Kind.RESISTANCE, nothing, instrument="person", how=How.TYPED, aspect=spot.aspect)
    work.tally.chosen.append(sentence(kept))


def _trust(work: Work, spot: Spot, reading: Reading) -> None:
    """Note what the ohms say of the points: only a point against ground vouches for it, anything speaks against it.

    A rail that misses a part is not judged, and yet it is not shorted.
    """
    result = reading.result
    if result is Result.NOT_JUDGED and reading.value is not None and spot.point in work.lacking.known.rails:
        result = judge(reading.value, reading.limits)
    not_shorted = reading.value is None and result is Result.NOT_JUDGED
    if spot.plain and (result in (*PASSED, Result.RECORDED) or not_shorted):
        work.evidence.trust_resistance(spot.point)
    elif not spot.plain and result in (*FAILED, Result.NO_VALUE):
        for point in spot.points:
            work.evidence.doubt_resistance(point)


def _both_ways(work: Work, spot: Spot, forward: float | None, back: float | None) -> None:
    """Say what low ohms in both directions mean."""
    if forward is None or back is None or min(forward, back) >= TELLING or min(forward, back) <= 0:
        return
    alike = max(forward, back) <= ALIKE * min(forward, back)
    means = "the same both ways: metal or a resistor" if alike else "one way only: a junction conducts"
    named = Spot(spot.point, spot.other).name
    work.journal.event("both-ways", f"{named} {shown(forward, 'ohm', 3)}, reversed {shown(back, 'ohm', 3)}: {means}")


def _all_dead(work: Work, spot: Spot) -> bool:
    """Whether nothing falsifies ohms at this place of the leads: asked where that was not found out in this step."""
    dead = work.evidence.dead
    for point in spot.points:
        if Spot(point) not in dead:
            work.evidence.doubt_resistance(point)
            work.hands.probe(point)
            _dead(work, point)
    alive = [point for point in spot.points if not dead[Spot(point)]]
    if alive and not spot.plain:
        text = f"{spot.name} is not measured: {' and '.join(alive)} carried volts"
        work.journal.event("live", text)
        if not all(work.board.point(point).stays_live for point in alive):
            work.tally.missing.append(text)
    if alive or spot.plain:
        if not alive:
            work.hands.probe(spot.point)
        return not alive
    work.hands.across(spot.red, spot.black)
    if not work.meter.by_hand:
        return _dead_across(work, spot)
    if spot not in dead:
        dead[spot] = _dead_across(work, spot)
    return dead[spot]


def _dead_across(work: Work, spot: Spot) -> bool:
    """Whether there are no volts between the two places of the leads. Waits while they fall."""
    value, how, _ = _until_dead(work, spot.name, spot)
    aspect = f"{spot.aspect} {BEFORE_OHMS}"
    if value.number is not None and abs(value.number) <= DEAD:
        work.keep(spot.point, Kind.VOLTAGE, value, Judged(DEAD_LIMITS, LimitsFrom.RULE), how=how, aspect=aspect)
        return True
    work.keep(spot.point, Kind.VOLTAGE, value, Judged(note="resistance not measured"), how=how, aspect=aspect)
    if value.number is not None:
        text = f"{spot.name} carries {shown(value.number, 'V')} with every output off"
        work.journal.event("live", text)
        work.tally.missing.append(text)
    return False


def _dead(work: Work, point: str, old: Reading | None = None) -> Reading:
    """Read whether the point carries volts that would falsify ohms. Waits while it discharges.

    `old`: what is taken again.
    """
    value, how, falling = _until_dead(work, point, Spot(point))
    note, replaces = "", None
    if old is not None:
        note, replaces = TAKEN_AGAIN, old.id
        work.take_back(old)
        work.tally.missing[:] = [each for each in work.tally.missing if not each.startswith(_carries(point))]
    work.evidence.dead[Spot(point)] = value.number is not None and abs(value.number) <= DEAD
    if not work.evidence.dead[Spot(point)]:
        return _not_dead(work, point, value, how, falling=falling, replaces=replaces)
    judged = Judged(DEAD_LIMITS, LimitsFrom.RULE, note=note)
    return work.keep(point, Kind.VOLTAGE, value, judged, how=how, aspect=BEFORE_OHMS, replaces=replaces)


def _carries(point: str) -> str:
    return f"{point} carries "


def _until_dead(work: Work, name: str, spot: Spot) -> tuple[Value, How, bool]:
    """Read volts until there are none or they stay; return the last ones, how they came, and whether they fell."""
    live = work.board.point(spot.point).stays_live if spot.plain else None
    if work.meter.by_hand:
        say_why(work)
        value = read_once(work, Function.DC_VOLTS, name, around=1.0)
        return typed_until_dead(work, name, value, live), How.TYPED, False
    value = read_once(work, Function.DC_VOLTS, name, around=1.0)
    until = work.waits.clock.monotonic() + DISCHARGE
    falling = False
    while value.number is not None and abs(value.number) > DEAD and not (live and live.accepts(value.number)):
        before = abs(value.number)
        if work.waits.clock.monotonic() >= until:
            break
        work.waits.sleep(EVERY, f"{name} carries {shown(value.number, 'V')}: waiting for its discharge")
        value = read_once(work, Function.DC_VOLTS, name, around=1.0)
        falling = value.number is not None and abs(value.number) <= FALLING * before
        if value.number is not None and abs(value.number) > max(DEAD, FALLING * before):
            break
    return value, How.READ, falling


def _not_dead(work: Work, point: str, value: Value, how: How, *, falling: bool, replaces: str | None = None) -> Reading:
    """Keep the volts and say why ohms are not taken."""
    live = work.board.point(point).stays_live
    if value.number is not None and live is not None and live.accepts(value.number):
        work.evidence.trust_resistance(point)
        meant = Judged(live, LimitsFrom.BOARD, note="meant to stay live: resistance is not measured")
        return work.keep(point, Kind.VOLTAGE, value, meant, how=how, aspect="stays live", replaces=replaces)
    judged = Judged(note="resistance not measured")
    reading = work.keep(point, Kind.VOLTAGE, value, judged, how=how, aspect=BEFORE_OHMS, replaces=replaces)
    if value.number is not None:
        feeds = _what_could_feed(work, point, value.number, falling=falling)
        found = f"{_carries(point)}{shown(value.number, 'V')}"
        text = f"{found} with every output off: charged, or fed by {feeds}"
        work.journal.event("live", text)
        work.tally.missing.append(text)
    return reading


def _what_could_feed(work: Work, point: str, volts: float, *, falling: bool) -> str:
    """Name what could feed the point: what its volts suggest, then what hangs on it."""
    board = work.board
    names = list(likely_feeds(volts, falling=falling))
    here = board.point(point)
    if isinstance(here, Rail) and here.source is not None:
        names.append(here.source)
    names += [rail.name for rail in board.fed_from(point)]
    names += [f"{other.name} (stays live)" for other in board.points() if other.stays_live and other.name != point]
    return ", ".join(names)
