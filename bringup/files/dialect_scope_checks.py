"""What must fit together in a dialect of a scope: channels are named, and what is waited for can be asked."""

from __future__ import annotations

from collections.abc import Mapping

from bringup.core.replies import ReplyKind
from bringup.core.spelling import holes
from bringup.files.nodes import Problems
from bringup.files.sections import Values

OF_A_CHANNEL = ("show_channel", "set_coupling", "set_bandwidth_limit", "set_probe", "set_scale")
"""Operations that are nothing without the channel they are about."""
WITH_A_VALUE = ("set_probe", "set_scale", "set_time_base")
TOLD = (*OF_A_CHANNEL, "set_time_base", "set_sweep", "acquire", "choose_peak_to_peak")
ASKED = ("acquired", "peak_to_peak", "screen_picture")


def check_scope(values: Values, problems: Problems) -> None:
    """Report what does not fit together in the dialect of a scope."""
    base = dict(values.sections("operations"))
    _check_operations(base, problems)
    for _, variant in values.sections("variants"):
        _check_operations(dict(variant.sections("operations")), problems)
    measures = [base[name] for name in ("choose_peak_to_peak", "peak_to_peak") if name in base]
    if measures and not any("channel" in _named(each) for each in measures):
        problems.add(measures[-1].node, "nothing names the {channel} that is measured", "in either of the two")


def _check_operations(operations: Mapping[str, Values], problems: Problems) -> None:
    for name, operation in operations.items():
        wrong = operation.wrong
        if name in TOLD and not {"send"} & (set(operation.entries) | wrong):
            problems.add(operation.node, f"'{name}' needs `send`: it is something to tell the scope")
        if name in ASKED and not {"query"} & (set(operation.entries) | wrong):
            problems.add(operation.node, f"'{name}' needs `query`: it is something to ask the scope")
        sent = {hole for text in operation.get("send", ()) for hole in holes(text)}
        for hole, about in (("channel", OF_A_CHANNEL), ("value", WITH_A_VALUE)):
            if name in about and "send" in operation and hole not in sent:
                problems.add(operation.node, f"'{name}' names no {{{hole}}}")
        kind = operation.get("reply", ReplyKind.NUMBER)
        if name == "screen_picture" and "query" in operation and kind != ReplyKind.BLOCK:
            message = "'screen_picture' is read as a reply of kind block"
            problems.add(operation.node, message, "write `reply: block`")


def _named(operation: Values) -> set[str]:
    texts = [*operation.get("send", ()), operation.get("query", "")]
    return {hole for text in texts for hole in holes(text)}
