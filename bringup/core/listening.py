"""What a `listen` step asks of a serial line of the board, and what the text that it found is worth. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import field
from typing import TYPE_CHECKING

from bringup.core.frozen import frozen
from bringup.core.late import late
from bringup.core.limits import Limits
from bringup.core.quantity import Quantity, parse_quantity
from bringup.core.replies import Value
from bringup.core.wording import duration, limits_text
from bringup.core.words import UNIT_OF, Kind
from bringup.errors import NotationError

if TYPE_CHECKING:
    from bringup.core.expression import Program

LINE_ENDS = {"lf": b"\n", "cr": b"\r", "crlf": b"\r\n", "none": b""}
"""What a sent line may end with."""

KIND_OF = {unit: kind for kind, unit in UNIT_OF.items()}

_NUMBER = late(r"\s*[+-]?[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?\s*")
_PLAIN = late(r"[ -\[\]-~\n\t\r]*")


@frozen
class Listen:
    """Wait for text on a serial line of the board; what named groups hold becomes readings. May send lines first."""

    line: str
    """Name of the line in the bench file."""
    within: Quantity
    text: str = ""
    pattern: str = ""
    """At most one of the two; neither: the lines are only sent."""
    send: tuple[str, ...] = ()
    line_end: str = ""
    """One of LINE_ENDS, for what is sent."""
    bad: tuple[str, ...] = ()
    """Texts of which any fails the step at once."""
    units: Mapping[str, str] = field(default_factory=dict)
    """Group -> the unit of its number, as written ('mV'), where the text itself has none."""
    words: tuple[str, ...] = ()
    """Groups that are kept as text."""
    rails: Mapping[str, str] = field(default_factory=dict)
    """Group -> the rail or input of which it is the board's own reading."""
    agrees: Mapping[str, Quantity] = field(default_factory=dict)
    """Group among these -> part (in %) by which it may differ from what the meter read last."""
    only_new: bool = False
    """Only text that comes from the beginning of the step on counts."""

    @property
    def waits(self) -> bool:
        """Whether anything is waited for."""
        return bool(self.text or self.pattern)

    @property
    def wanted(self) -> str:
        """What is waited for, for people."""
        return repr(self.text) if self.text else f"/{self.pattern}/"


def program_of(action: Listen) -> Program:
    """Return what is looked for. The files have seen to it that it can be."""
    from bringup.core.expression import expression, literal

    return literal(action.text) if action.text else expression(action.pattern)


def in_short(action: Listen) -> str:
    """Return what the step does, in a few words."""
    sends = f"send {', '.join(map(repr, action.send))} to {action.line}" if action.send else ""
    waits = f"listen to {action.line} for {action.wanted}, {duration(action.within.number)} at most"
    return sends if not action.waits else f"{sends}, then {waits}" if sends else waits


def in_detail(action: Listen, expect: Mapping[str, Limits]) -> Iterator[str]:
    """Yield what else is to be known of the step, a line each."""
    if action.send:
        yield f"each sent line ends with {action.line_end}"
    if action.waits and not action.only_new:
        yield "what came since the last apply or program began counts, too, behind what an earlier step found"
    yield from (f"{text!r} fails it at once" for text in action.bad)
    for name, kind in kinds_of(action, expect):
        unit = f", numbers without unit in {action.units[name]}" if name in action.units else ""
        judged = f"judged by {limits_text(expect[name])}" if name in expect else "recorded only"
        if name in action.rails:
            judged = f"within {action.agrees[name]} of what the meter read" if name in action.agrees else judged
            judged = f"{judged}, beside the meter's of {action.rails[name]}"
        yield f"{name}: a {kind}{unit}, {judged}"
    yield from (f"{name}: kept as text" for name in action.words)


def sent_bytes(action: Listen) -> bytes:
    """Return what is sent, every line with its end."""
    return b"".join(line.encode() + LINE_ENDS[action.line_end] for line in action.send)


def unit_of(written: str) -> str:
    """Return the base unit of a unit as written: 'V' of 'mV'. Raises NotationError."""
    return parse_quantity(f"1 {written}").unit


def value_of(text: str, written: str, kind: Kind) -> Value:
    """Return what the text of a group is worth in the base unit of `kind`; no value where that cannot be said.

    `written`: the unit of a bare number, as the step writes it; '' where the text has to hold it.
    """
    raw = readable(text)
    bare = _NUMBER.fullmatch(text) is not None
    if bare and not written:
        return Value(None, raw, why=f"{raw!r} has no unit: state it in `units`")
    try:
        found = parse_quantity(f"{text.strip()} {written}" if bare else text.strip())
    except NotationError as error:
        return Value(None, raw, why=f"{raw!r} is no quantity: {error.message}")
    if found.unit != UNIT_OF[kind]:
        return Value(None, raw, why=f"{raw!r} is in {found.unit}, where {UNIT_OF[kind]} is due")
    return Value(found.number, raw, found.resolution)


def kinds_of(action: Listen, expect: Mapping[str, Limits]) -> Iterator[tuple[str, Kind]]:
    """Yield every group that becomes a reading, with its kind of quantity."""
    if not action.pattern:
        return
    from bringup.core.expression import expression

    for name in expression(action.pattern).groups:
        if name in action.words:
            continue
        unit = expect[name].unit if name in expect else unit_of(action.units[name])
        yield name, KIND_OF[unit]


def readable(text: str) -> str:
    r"""Return text with everything written out that would do something to a screen, and every backslash doubled.

    Bytes that are no UTF-8 (they come as lone surrogates, as `surrogateescape` makes them) become \xNN: nothing is
    lost, and `\` always begins what was written out.
    """
    if _PLAIN.fullmatch(text):
        return text
    return "".join(map(_written_out, text))


def _written_out(sign: str) -> str:
    if sign == "\\":
        return "\\\\"
    if sign.isprintable() or sign in "\n\r\t":
        return sign
    if "\udc80" <= sign <= "\udcff":
        return f"\\x{ord(sign) - 0xDC00:02x}"
    return sign.encode("unicode_escape").decode("ascii")
