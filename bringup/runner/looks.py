"""What a look at a supply means while an output is on: what must hold of it, and what ends the attempt.

Nothing here asks or waits: watch.py does. A look that shows something the unit must not do raises Trip, a supply that
does not answer raises SupplyLost, a hand at its panel raises CalledOff.
"""

from __future__ import annotations

from dataclasses import dataclass

from bringup.core.quantity import format_quantity
from bringup.core.wording import shown
from bringup.errors import LinkError
from bringup.runner.endings import BrokenOff, CalledOff, FoundOff, SupplyLost, Trip
from bringup.runner.feed import Feed
from bringup.runner.pending import Pending
from bringup.runner.records import PollSample
from bringup.runner.roles import OutputSettings, Protection

SILENT_LOOKS = 2
"""So many looks without an answer in a row mean that the supply is lost."""
VOLTS_ALIKE = (0.002, 0.005)
AMPS_ALIKE = (0.002, 0.002)
"""Set points differ when they are further apart than this part of the value plus this many V or A: the set point is
read with the same query each time, so anything more is a hand at the knob."""
HELD = (0.05, 0.2)
"""Out of current limit, a supply holds its voltage within this part of it plus this many V, its own error included."""
LIMIT_REACHED = 0.98
"""Where the dialect cannot tell the mode: this part of the current limit, with the volts below this part of the set
voltage, is taken for current limit."""

SHORT = 5.0
"""Ohms up to which what limits the current is called a short: no input of a sound board has so few (common practice,
no source)."""


@dataclass(slots=True)
class Watched:
    """An output that is on, or about to be, and what must hold for it."""

    output: int
    input: str
    set_volts: float
    set_amps: float
    limit_time: float
    trip_current: float | None = None
    damage_above: float | None = None
    start_up_until: float = 0.0
    """Currents above `trip_current` are start-up until then: the supply's own limit bounds them."""
    valid_from: float = 0.0
    """Looks asked for before this moment may still show the previous setting or the output off."""
    since: float = 0.0
    """Since when it is watched."""
    due: float = 0.0
    asked: float = 0.0
    pending: Pending[PollSample] | None = None
    silent: int = 0
    patience: float = 1.0
    """Seconds that the look under way may take before it counts as silent."""
    lost: bool = False
    """Whether a look brought nothing since its settings were asked for: its supply may not be what it was."""
    patience_spent: int = 0
    """How often the look under way has been counted as silent."""
    limit_since: float | None = None
    above_trip: bool = False
    adrift: bool = False
    """Whether the last look showed a voltage that is not the set one."""
    latest: PollSample | None = None
    supply: str = "supply"
    """Which one feeds it."""
    over_voltage: float | None = None
    over_current: float | None = None
    """The supply's own protections as it read them back; None: off, or not to be asked."""
    check: Pending[OutputSettings] | None = None
    """All its settings, asked for anew since it was silent for a look: it may not be what it was."""


def watched_for(feed: Feed, found: OutputSettings) -> Watched:
    """Return how an output that is about to go on is watched: nothing it shows counts before it was switched on."""
    return Watched(
        output=feed.output,
        input=feed.input,
        set_volts=found.volts or 0.0,
        set_amps=found.amps or 0.0,
        over_voltage=found.over_voltage,
        limit_time=feed.limit_time,
        trip_current=feed.trip_current,
        damage_above=feed.damage_above,
        start_up_until=float("inf"),
        valid_from=float("inf"),
    )


def check_settings(watched: Watched, now: float) -> None:
    """Judge the settings of a supply that is back after a silence. Nothing is ever sent again: a difference ends it."""
    check = watched.check
    if check is None or not (check.done or now >= check.deadline):
        return
    watched.check = None
    if not check.done:
        raise SupplyLost(
            f"the {watched.supply} was silent while {watched.input} is on, and does not tell its settings since"
        )
    try:
        found = check.value()
    except LinkError as error:
        raise SupplyLost(f"the {watched.supply} is lost while {watched.input} is on: {error.message}") from error
    pairs = (
        ("voltage", "V", watched.set_volts, found.volts, VOLTS_ALIKE),
        ("current limit", "A", watched.set_amps, found.amps, AMPS_ALIKE),
        ("over-voltage protection", "V", watched.over_voltage, found.over_voltage, VOLTS_ALIKE),
        ("over-current protection", "A", watched.over_current, found.over_current, AMPS_ALIKE),
    )
    if watched.valid_from > now:
        return  # It is being set at this moment: whoever sets it compares.
    for name, unit, ours, theirs, (part, least) in pairs:
        protection = name.endswith("protection")
        if ours is None or (theirs is None and not protection):
            continue
        if theirs is None or abs(theirs - ours) > part * abs(ours) + least:
            shown_now = "off" if theirs is None else format_quantity(theirs, unit)
            raise BrokenOff(
                f"the {watched.supply} was silent, and since then the {name} of {watched.input} is {shown_now}, "
                f"not the {format_quantity(ours, unit)} it was set to: nothing is sent again, it goes off"
            )
    if found.on is False:
        raise FoundOff(f"{watched.input} was found off after the {watched.supply} was silent for a moment")


def count_silent(watched: Watched, why: str) -> None:
    """Count a look that brought nothing. Raises SupplyLost at the second in a row."""
    watched.silent += 1
    if watched.silent >= SILENT_LOOKS:
        raise SupplyLost(
            f"the {watched.supply} did not answer {SILENT_LOOKS} looks in a row while {watched.input} is on: {why}"
        )


def judge_look(watched: Watched, sample: PollSample) -> bool:
    """Judge one look at an output that should be on. Returns whether to look again at once. Raises an Ending."""
    _judge_volts(watched, sample)
    if not _judge_what_it_is(watched, sample):
        return False
    doubtful = _judge_amps(watched, sample)
    return _judge_regulation(watched, sample) or doubtful


def judge_damage(watched: Watched, sample: PollSample) -> bool:
    """Judge what may cut power even in an irreversible step: over-voltage and over-current. Returns as `judge_look`.

    The supply's own protections are the same two: where they tripped, power is gone and there is nothing to spare.
    """
    _judge_volts(watched, sample)
    if sample.tripped and watched.asked >= watched.valid_from and sample.tripped != Protection.WATCHDOG:
        _judge_state(watched, sample)
    return sample.amps is not None and _judge_amps(watched, sample)


def judge_rest(watched: Watched, sample: PollSample) -> bool:
    """Judge everything else of that look, which an irreversible step puts off. Returns as `judge_look`."""
    return _judge_what_it_is(watched, sample) and _judge_regulation(watched, sample)


def _judge_what_it_is(watched: Watched, sample: PollSample) -> bool:
    """Judge state, set points and current limit of a look, if it brought everything it should; returns whether."""
    if sample.fault is not None or sample.volts is None or sample.amps is None:
        watched.lost = True
        count_silent(watched, "no value" if sample.fault is None else sample.fault.value)
        return False
    watched.silent, watched.latest = 0, sample
    if watched.asked >= watched.valid_from:
        _judge_state(watched, sample)
        _judge_set_points(watched, sample)
    _judge_limit(watched, sample)
    return True


def in_current_limit(watched: Watched, sample: PollSample) -> bool:
    """Whether the supply limits the current (or cannot hold its voltage) in this look."""
    if sample.mode is not None:
        return sample.mode in ("current", "unregulated")
    if sample.amps is None or sample.volts is None:
        return False
    return sample.amps >= LIMIT_REACHED * watched.set_amps and sample.volts < LIMIT_REACHED * watched.set_volts


def drawn_as(name: str, sample: PollSample) -> str:
    """Say what limited volts and amps come to: ': 150 mV at 300 mA, about 500 mΩ between VIN and ground, a short'."""
    if sample.volts is None or not sample.amps:
        return ""
    ohms = abs(sample.volts / sample.amps)
    found = f"{shown(sample.volts, 'V', 3)} at {shown(sample.amps, 'A', 3)}"
    meant = ", a short" if ohms <= SHORT else ""
    return f": {found}, about {shown(ohms, 'ohm', 2)} between {name} and ground, leads included{meant}"


def _judge_volts(watched: Watched, sample: PollSample) -> None:
    if sample.over_range:
        text = f"{watched.input}: the {watched.supply} reads over range; that counts as above what damages the board"
        raise Trip(text, (watched.input, sample))
    if watched.damage_above is None or sample.volts is None or abs(sample.volts) <= watched.damage_above:
        return
    found, most = format_quantity(sample.volts, "V"), shown(watched.damage_above, "V")
    raise Trip(f"{watched.input} reads {found}, above the {most} that damage it", (watched.input, sample))


def _judge_state(watched: Watched, sample: PollSample) -> None:
    if sample.tripped == Protection.WATCHDOG:
        raise BrokenOff(f"{watched.input} is off: the {watched.supply}'s {sample.tripped} heard nothing for too long")
    if sample.tripped:
        text = f"the {watched.supply}'s {sample.tripped} protection tripped on {watched.input}"
        raise Trip(text, (watched.input, sample))
    if sample.on is False or (sample.on is None and sample.mode == "off"):
        raise FoundOff(
            f"{watched.input} was found off though nobody here switched it: a protection that the {watched.supply} "
            "does not report, or a hand at its panel"
        )


def _judge_set_points(watched: Watched, sample: PollSample) -> None:
    pairs = (
        ("voltage", "V", watched.set_volts, sample.set_volts, VOLTS_ALIKE),
        ("current limit", "A", watched.set_amps, sample.set_amps, AMPS_ALIKE),
    )
    for name, unit, ours, found, (part, least) in pairs:
        if found is not None and abs(found - ours) > part * abs(ours) + least:
            raise CalledOff(
                f"the {name} of {watched.input} was changed at the {watched.supply}: "
                f"set to {format_quantity(ours, unit)}, found at {format_quantity(found, unit)}"
            )


def _judge_limit(watched: Watched, sample: PollSample) -> None:
    if not in_current_limit(watched, sample):
        watched.limit_since = None
        return
    if watched.limit_since is None:
        watched.limit_since = sample.monotonic
    lasted = sample.monotonic - watched.limit_since
    if lasted > watched.limit_time:
        raise Trip(
            f"{watched.input} stayed in current limit ({format_quantity(watched.set_amps, 'A')}) for "
            f"{lasted:.2f} s, longer than the {watched.limit_time:.2f} s that charging may take"
            f"{drawn_as(watched.input, sample)}",
            (watched.input, sample),
        )


def _judge_amps(watched: Watched, sample: PollSample) -> bool:
    """Return whether a second look must confirm a current above the trip level."""
    assert sample.amps is not None
    above = (
        watched.trip_current is not None
        and abs(sample.amps) > watched.trip_current
        and sample.monotonic > watched.start_up_until
    )
    if above and watched.above_trip:
        assert watched.trip_current is not None
        raise Trip(
            f"{watched.input} draws {shown(sample.amps, 'A')}, "
            f"above the trip level of {shown(watched.trip_current, 'A')}",
            (watched.input, sample),
        )
    watched.above_trip = above
    return above


def _judge_regulation(watched: Watched, sample: PollSample) -> bool:
    """Return whether a second look must confirm that the supply does not hold its voltage, though it could."""
    assert sample.volts is not None
    part, least = HELD
    adrift = (
        abs(abs(sample.volts) - watched.set_volts) > part * watched.set_volts + least
        and watched.asked >= watched.valid_from
        and sample.monotonic > watched.start_up_until
        and not in_current_limit(watched, sample)
    )
    if adrift and watched.adrift:
        raise BrokenOff(
            f"{watched.input} reads {format_quantity(sample.volts, 'V')} though set to "
            f"{format_quantity(watched.set_volts, 'V')} and not in current limit: another source, or the supply itself"
        )
    watched.adrift = adrift
    return adrift
