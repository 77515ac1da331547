"""From a bench file to the roles the runner uses: links opened and locked, simulated instruments started.

What `run` needs of a bench; nothing here sends anything but `*IDN?`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import field
from typing import TYPE_CHECKING

from bringup.commands.reaching import (
    dialect_of,
    instrument_locks,
    lock_names,
    one_instrument,
    reached,
    roles_of,
    undecided,
    wanted_of,
)
from bringup.commands.saying import say
from bringup.core.bench import Bench, SupplyRole
from bringup.core.dialect import Dialect
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.errors import BenchError

if TYPE_CHECKING:
    from bringup.host.control import ControlServer
    from bringup.instruments.line_reader import LineReader
    from bringup.instruments.traced import Note
    from bringup.instruments.visa_link import VisaLink
    from bringup.runner.load_role import Load
    from bringup.runner.protocols import Ask, Line, Link
    from bringup.runner.roles import Meter, Scanner, Supply
    from bringup.runner.scpi_scope import ScpiScope
    from bringup.runner.scpi_supply import ScpiSupply


@frozen
class AnsweringBench:
    """A bench whose instruments have answered, over whatever links."""

    bench: Bench
    dialects: Mapping[str, Dialect]
    resources: Mapping[str, str]
    links: Mapping[str, Link]

    @property
    def simulated_link(self) -> Link | None:
        """A link to a simulated instrument, if every instrument that answers is simulated."""
        links = list(self.links.values())
        if not links or not all(link.identity is not None and link.identity.simulated for link in links):
            return None
        return self.links.get("meter") or self.links.get("supply") or self.links["load"]

    @property
    def simulated(self) -> bool:
        """Whether no real instrument takes part: then, and only then, may the bench answer its own questions."""
        by_hand = [role for role in (self.bench.supply, self.bench.meter) if role is not None and role.by_hand]
        return self.simulated_link is not None and not by_hand

    def supply(self, ask: Ask) -> Supply | None:
        """Return what feeds the board: one supply, or several taken for one; by hand, `ask` is whom to dictate to."""
        from bringup.runner.by_hand import HandSupply

        role = self.bench.supply
        if role is None:
            return None
        if role.by_hand:
            return HandSupply(role, ask)
        if not self.bench.more_supplies:
            return self._one_supply(role)
        from bringup.runner.joined_supply import JoinedSupply

        return JoinedSupply([(each, self._one_supply(each)) for each in self.bench.supplies])

    def _one_supply(self, role: SupplyRole) -> ScpiSupply:
        from bringup.runner.scpi_supply import ScpiSupply

        name = role.name
        return ScpiSupply(role, self.dialects[name], self.links[name], resource=self.resources[name])

    def meter(self, ask: Ask, limits: Mapping[str, Limits]) -> Meter | None:
        """Return the bench's meter; by hand, `limits` (point -> volts) tell a slip from a reading."""
        from bringup.runner.hand_meter import HandMeter
        from bringup.runner.scpi_meter import ScpiMeter

        role = self.bench.meter
        if role is None:
            return None
        if role.by_hand:
            return HandMeter(role, ask, limits=limits)
        return ScpiMeter(role, self.dialects["meter"], self.links["meter"], resource=self.resources["meter"])

    def scanner(self) -> Scanner | None:
        """Return the bench's scanner; a card in the meter speaks over the meter's link."""
        from bringup.runner.scpi_scanner import ScpiScanner

        role = self.bench.scanner
        if role is None:
            return None
        over = "meter" if role.in_meter else "scanner"
        return ScpiScanner(role, dialect_of(self.bench, "scanner"), self.links[over], resource=self.resources[over])

    def load(self) -> Load | None:
        """Return the bench's electronic load."""
        role = self.bench.load
        if role is None:
            return None
        from bringup.runner.scpi_load import ScpiLoad

        return ScpiLoad(role, self.dialects["load"], self.links["load"], resource=self.resources["load"])

    def scope(self) -> ScpiScope | None:
        """Return the bench's scope, where a step asks one."""
        role = self.bench.scope
        if role is None:
            return None
        from bringup.runner.scpi_scope import ScpiScope

        return ScpiScope(role, self.dialects["scope"], self.links["scope"], resource=self.resources["scope"])


@frozen
class OpenBench(AnsweringBench):
    """A bench whose instruments are ours until this is closed."""

    links: Mapping[str, VisaLink]
    control: ControlServer
    links_closed: ExitStack
    """What is put here is done once the links are closed, before anybody else may have the bench."""
    lines: Mapping[str, Line] = field(default_factory=dict)
    """The serial lines that are heard, by name."""

    def report_off(self, verified: bool | None, asked_since: Callable[[], bool]) -> None:
        """Tell whoever asked with `bringup off` what became of the outputs: OFF only if asking found them so.

        `asked_since`: whether anybody has asked for off since the outputs were asked; who asks after this call, too,
        is told that nobody knows.
        """
        from bringup.host.control import Outcome

        asks = self.control.asks
        known = verified is True and not asked_since()
        self.control.report(Outcome.OFF if known else Outcome.UNKNOWN, asks)


@contextmanager
def open_bench(
    bench: Bench,
    serial: str,
    *,
    wake: Callable[[], None],
    ask_off: Callable[[], None],
    note: Note | None = None,
    command: str = "bringup run",
    meanwhile: Callable[[], None] | None = None,
) -> Iterator[OpenBench]:
    """Lock the bench, start what is simulated, open what is not by hand, all at once. Raises BenchError.

    `wake` ends the runner's wait when an answer comes; `ask_off` is called when `bringup off` asks; `note` hears what
    is said; `command` is who holds the bench, for others who want it; `meanwhile` is called while they answer, and
    what it raises raised once it is known whose they are: nobody takes leave of an instrument that another one uses.
    """
    from bringup.host.control import ControlServer
    from bringup.host.lock import About, hold
    from bringup.instruments.opening import POWER_UP, try_connect

    dialects = {name: dialect_of(bench, name) for name, role in roles_of(bench).items() if not role.by_hand}
    with ExitStack() as leave:
        control = leave.enter_context(ControlServer(ask_off))
        about = About(command, serial, control.address)
        leave.enter_context(hold(lock_names(bench), about))
        held = leave.enter_context(ExitStack())
        links_closed = leave.enter_context(ExitStack())
        resources = leave.enter_context(reached(bench, serial=serial))
        answered = try_connect(
            wanted_of(bench, resources),
            backend=bench.backend,
            wake=wake,
            patience=POWER_UP,
            waiting=lambda text: say(text, err=True),
            note=note,
            meanwhile=meanwhile,
        )
        links = answered.links
        try:
            held.enter_context(hold(instrument_locks(*(link.identity for link in links.values())), about))
        except BenchError:
            answered.close(farewell=False)  # somebody else is speaking to it
            raise
        leave.callback(answered.close)
        answered.check()
        if why := one_instrument(bench, links):
            raise BenchError(why, "Give one of them the other's outputs as well, in one role. Nothing was changed.")
        if why := "; ".join(filter(None, (undecided(bench, name, link.identity) for name, link in links.items()))):
            raise BenchError(why, "State `dialect` in the bench file. Nothing was changed and nothing was powered.")
        lines: dict[str, LineReader] = {}
        if bench.lines:
            from bringup.commands.lines import open_lines

            lines = leave.enter_context(open_lines(bench, resources, wake))
        yield OpenBench(bench, dialects, resources, links, control, links_closed, lines)
