"""What must fit together in a dialect of a scanner: channels are named in what is sent, and relays can be asked."""

from __future__ import annotations

from collections.abc import Mapping

from bringup.core.replies import ReplyKind
from bringup.core.spelling import holes
from bringup.files.nodes import Problems
from bringup.files.sections import Values

NAMES_CHANNELS = ("close", "open", "channel_state")
"""Operations that are about the channels they name."""
REPLY_OF = {"channel_state": ReplyKind.NUMBERS, "closed_channels": ReplyKind.CHANNELS, "settled": ReplyKind.BOOLEAN}
"""How these have to be read."""


def check_scanner(values: Values, problems: Problems) -> None:
    """Report what does not fit together in the dialect of a scanner."""
    base = dict(values.sections("operations"))
    _check_operations(base, problems)
    _check_asked(values, base, problems)
    for _, variant in values.sections("variants"):
        _check_operations(dict(variant.sections("operations")), problems)


def _check_operations(operations: Mapping[str, Values], problems: Problems) -> None:
    for name, operation in operations.items():
        texts = [*operation.get("send", ()), operation.get("query", "")]
        if name in NAMES_CHANNELS and not any("channels" in holes(text) for text in texts):
            problems.add(operation.node, f"'{name}' names no {{channels}}: it would be about none, or about all")
        kind = REPLY_OF.get(name)
        if kind is not None and "query" in operation and operation.get("reply", ReplyKind.NUMBER) != kind:
            problems.add(operation.node, f"'{name}' is read as a reply of kind {kind}", f"write `reply: {kind}`")
        if name in ("close", "open", "open_all") and not {"send"} & (set(operation.entries) | operation.wrong):
            problems.add(operation.node, f"'{name}' needs `send`: it is something to tell the scanner")


def _check_asked(values: Values, base: Mapping[str, Values], problems: Problems) -> None:
    """A relay that nobody can ask may be stuck: two points would be tied together through the meter's leads."""
    known = "operations" in values and not values.wrong
    if known and not any(name in base for name in ("open", "open_all")):
        problems.add(values.at("operations"), "a scanner cannot do without 'open' or 'open_all'")
    if known and not any(name in base for name in ("channel_state", "closed_channels")):
        message = "a scanner cannot do without 'channel_state' or 'closed_channels': a relay may stick"
        problems.add(values.at("operations"), message)
