"""How an input is fed: what the supply is set to, what it is watched for, and the bounds of both."""

from __future__ import annotations

from collections.abc import Sequence

from bringup.core.arming import ApplyPlan, LeadsPlan
from bringup.core.bench import Ceiling
from bringup.core.board import Board
from bringup.core.frozen import frozen
from bringup.core.protection import damage_level
from bringup.core.quantity import format_quantity
from bringup.core.wording import shown
from bringup.runner.endings import BrokenOff


@frozen
class Feed:
    """How an input is fed: what the supply is set to and what it is watched for."""

    input: str
    output: int
    volts: float
    current_limit: float
    limit_time: float
    over_voltage: float | None = None
    trip_current: float | None = None
    damage_above: float | None = None
    remote_sense: bool = False
    sensed: str = ""
    """Where the supply senses, as far as it can be asked, in words for the person who says go."""
    protected: str = ""
    """What became of the supply's over-voltage protection, in words, once it was set."""
    then: tuple[float, ...] = ()
    """Volts that follow on the one go, in order, as long as nothing misses its limits."""

    @property
    def rising(self) -> str:
        """Return the voltage, and every one that follows without another question."""
        return format_quantity(self.volts, "V") + followed_by(self.then)

    def what_enter_does(self, *, by_hand: bool) -> str:
        """Return what the person's go sets off, to its end: nobody may agree to 1 V and get 24 V."""
        if by_hand:
            return "Enter, then switch it on when told" + ("; each further voltage is asked for" if self.then else "")
        if not self.then:
            return "Enter switches it ON"
        last = format_quantity(self.then[-1], "V")
        return f"Enter switches it ON and goes up to {last} without asking again; a missed limit ends that, output OFF"

    @property
    def words(self) -> tuple[str, ...]:
        """Every setting in words, for the person who says go."""
        lines = [
            f"voltage {self.rising}",
            f"current limit {format_quantity(self.current_limit, 'A')}, for {self.limit_time:.2g} s at most",
        ]
        lines += filter(None, (self.protected, self.sensed))
        if self.trip_current is not None:
            lines.append(f"switched off above {shown(self.trip_current, 'A')}")
        return tuple(lines)

    @property
    def words_by_hand(self) -> tuple[str, ...]:
        """The same where a person sets and watches the supply: nothing else will switch off."""
        lines = [
            f"voltage {self.rising}",
            f"current limit {format_quantity(self.current_limit, 'A')}",
            f"nothing watches but you: switch off if the limit lamp stays lit beyond {self.limit_time:.2g} s",
        ]
        if self.trip_current is not None:
            lines.append(f"or if the current stays above {shown(self.trip_current, 'A')}")
        return tuple(lines)


def followed_by(volts: Sequence[float]) -> str:
    """Return in words the voltages that follow another; '' if none does."""
    return ", then " + ", ".join(format_quantity(each, "V") for each in volts) if volts else ""


def planned(
    plan: ApplyPlan | LeadsPlan,
    board: Board,
    volts: float,
    *,
    limit_time: float,
    trip_current: float,
    remote_sense: bool,
) -> Feed:
    """Return how a plan feeds its input at one of its voltages. Raises BrokenOff where the bench has no output for it.

    What damages a rail that is plainly connected to the input bounds the input, too.
    """
    if plan.output is None:
        raise BrokenOff(f"the bench gives {plan.input} no output of its supply")
    return Feed(
        input=plan.input,
        output=plan.output,
        volts=abs(volts),
        current_limit=plan.current_limit,
        limit_time=limit_time,
        over_voltage=plan.over_voltage,
        trip_current=trip_current,
        damage_above=damage_level(board, plan.input)[0],
        remote_sense=remote_sense,
    )


def within_bounds(feed: Feed, ceiling: Ceiling) -> None:
    """Refuse what exceeds the board's or the bench's bounds: the last look before anything is sent. Raises BrokenOff.

    A procedure that asks for it is refused long before; this must not be the only place.
    """
    most_volts = None if ceiling.voltage is None else ceiling.voltage.number
    most_amps = None if ceiling.current is None else ceiling.current.number
    bounds = (
        ("V", feed.volts, feed.damage_above, "what damages the board"),
        ("V", feed.volts, most_volts, "the bench's ceiling"),
        ("A", feed.current_limit, most_amps, "the bench's ceiling"),
    )
    for unit, asked, most, what in bounds:
        if most is not None and asked > most:
            raise BrokenOff(f"{feed.input}: {shown(asked, unit)} exceeds {what}, {shown(most, unit)}")
