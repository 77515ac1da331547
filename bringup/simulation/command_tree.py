"""Which commands an instrument has, as a tree of mnemonics; and a whole message read by it.

Headers follow SCPI-1999 volume 1, 6.2: the short or the long form and nothing between, optional nodes, numeric
suffixes, and the current path of compound messages.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Generator, Iterable
from itertools import product

from bringup.core.frozen import frozen
from bringup.simulation.grammar import Unit, units
from bringup.simulation.parameters import Parameter, read_all, short_form
from bringup.simulation.scpi_errors import ScpiFault

Response = str | Generator[float, float, str | None] | None
"""What a handler gives: the response, nothing, or work that takes simulated time."""

REMEMBERED = 256
"""So many different messages are kept as read."""


@frozen
class Call:
    """One unit to be carried out."""

    now: float
    values: tuple[object, ...]
    """One per parameter of the command, None where an optional one was left out."""
    suffixes: tuple[int, ...] = ()
    """One per node that may carry a number, 1 where none was written."""


Handler = Callable[[Call], Response]


@frozen
class Command:
    """One header, told (without `?`) or asked (with it).

    `pattern` as the trade writes it: `[SOURce:]VOLTage[:LEVel]`, capitals for the short form, `#` for a numeric
    suffix (`ISUM#`), `*` for common commands, a final `?` for a query.
    """

    pattern: str
    handle: Handler
    takes: tuple[Parameter, ...] = ()
    last_suffix: int = 1
    """The largest number that a `#` node takes."""
    indefinite: bool = False
    """Whether the response has no stated length, so that no further response may follow it (IEEE 488.2, 8.7.11)."""


@frozen
class Read:
    """One unit as read: what to carry out."""

    command: Command
    query: bool
    values: tuple[object, ...]
    suffixes: tuple[int, ...]


class _Node:
    """A place in the tree. Both forms of a mnemonic lead to the same child."""

    __slots__ = ("asked", "children", "numbered", "told")

    def __init__(self) -> None:
        self.children: dict[str, _Node] = {}
        self.numbered: dict[str, _Node] = {}
        self.told: Command | None = None
        self.asked: Command | None = None

    def grow(self, mnemonic: str, *, numbered: bool) -> _Node:
        """Return the child of that mnemonic, made if need be."""
        among = self.numbered if numbered else self.children
        long = mnemonic.upper()
        if (child := among.get(long)) is None:
            child = among[long] = among[short_form(mnemonic)] = _Node()
        return child

    def find(self, mnemonic: str) -> tuple[_Node | None, str | None]:
        """Return the child, and the digits of its numeric suffix ('' for none; None where it may have none)."""
        if (child := self.children.get(mnemonic)) is not None:
            return child, None
        base = mnemonic.rstrip("0123456789")
        return self.numbered.get(base), mnemonic[len(base) :]


class CommandTree:
    """All commands of one instrument."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self._root = _Node()
        self._common: dict[str, Command] = {}
        self._remembered: dict[str, tuple[Read | ScpiFault, ...]] = {}
        for command in commands:
            self._add(command)

    def read(self, message: str) -> tuple[Read | ScpiFault, ...]:
        """Read a message: the units in order, up to the first that cannot be read, which is a ScpiFault (-1xx).

        A unit whose data are of the right sort but not permitted is a ScpiFault too (-2xx); reading goes on after it.
        """
        if (known := self._remembered.get(message)) is not None:
            return known
        result: list[Read | ScpiFault] = []
        path = self._root
        try:
            for unit in units(message):
                read, path = self._unit(unit, path)
                result.append(read)
        except ScpiFault as fault:
            result.append(fault)
        if len(self._remembered) >= REMEMBERED:
            self._remembered.clear()
        self._remembered[message] = tuple(result)
        return self._remembered[message]

    def _unit(self, unit: Unit, path: _Node) -> tuple[Read | ScpiFault, _Node]:
        if unit.common:
            command, after = self._common.get(unit.header), path
            digits: list[str] = []
        else:
            node, after, digits = self._walk(unit, self._root if unit.absolute else path)
            command = node.asked if unit.query else node.told
        if command is None:
            raise ScpiFault(-113, unit.header)
        suffixes = tuple(_suffix(text, command) for text in digits)
        try:
            values = read_all(command.takes, unit.data)
        except ScpiFault as fault:
            if fault.code > -200:  # noqa: PLR2004 - command errors are -100 to -199
                raise
            return fault, after
        return Read(command, unit.query, values, suffixes), after

    def _walk(self, unit: Unit, start: _Node) -> tuple[_Node, _Node, list[str]]:
        """Return the node of a header, the path it leaves behind, and the digits of its numeric suffixes."""
        node = parent = start
        digits = []
        for mnemonic in unit.mnemonics:
            child, written = node.find(mnemonic)
            if child is None:
                raise ScpiFault(-113, unit.header)
            if written is not None:
                digits.append(written)
            node, parent = child, node
        return node, parent, digits

    def _add(self, command: Command) -> None:
        pattern, query = command.pattern.removesuffix("?"), command.pattern.endswith("?")
        if pattern.startswith("*"):
            self._common[command.pattern] = command
            return
        for mnemonics in spellings(pattern):
            node = self._root
            for mnemonic in mnemonics:
                node = node.grow(mnemonic.removesuffix("#"), numbered=mnemonic.endswith("#"))
            assert (node.asked if query else node.told) is None, f"{command.pattern} is defined twice"
            if query:
                node.asked = command
            else:
                node.told = command


def spellings(pattern: str) -> list[tuple[str, ...]]:
    """Return every sequence of nodes that a pattern permits, its optional nodes being there or not."""
    nodes = re.findall(r"(\[?):?([A-Za-z]\w*#?):?(\]?)", pattern)
    choices = [((mnemonic,), ()) if opened else ((mnemonic,),) for opened, mnemonic, _ in nodes]
    return [tuple(mnemonic for chosen in choice for mnemonic in chosen) for choice in product(*choices)]


def _suffix(digits: str, command: Command) -> int:
    if not digits:
        return 1
    if len(digits) > 4 or not 1 <= int(digits) <= command.last_suffix:  # noqa: PLR2004 - nothing has 10000 of anything
        raise ScpiFault(-114)
    return int(digits)
