"""Which messages an operation on a supply takes: the selection first where one is needed, each query once.

Pure: a Dialect in, Messages out, and who of them answers what.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bringup.core.dialect import Dialect, Message, can_ask, can_tell
from bringup.core.frozen import frozen
from bringup.core.spelling import ask, names_output, spell
from bringup.runner.records import Reply


@frozen
class Asked:
    """Queries of one batch, and which of its messages answers which (operation, output)."""

    messages: tuple[Message, ...]
    at: Mapping[tuple[str, int], int]

    def heard(self, replies: Sequence[Reply], output: int) -> dict[str, Reply]:
        """Return the replies that concern an output, by operation."""
        return {name: replies[index] for (name, whose), index in self.at.items() if whose == output}

    def answers(self, replies: Sequence[Reply]) -> list[Reply]:
        """Return the replies to queries, without what only led up to them."""
        first = min(self.at.values(), default=0)
        return list(replies[first:])


def selection(dialect: Dialect, output: int, *texts: str) -> tuple[Message, ...]:
    """Return what selects the output before `texts`; empty where there is nothing to select, or one names it itself."""
    if names_output(*texts) or not can_tell(dialect, "select"):
        return ()
    return spell(dialect, "select", output=output)


def questions(dialect: Dialect, pairs: Sequence[tuple[str, int]], *, lead: Sequence[Message] = ()) -> Asked:
    """Ask these (operation, output) in one batch. What the dialect cannot ask is left out.

    Two operations that the same query answers share its reply: a second one could find it changed, or cleared.
    """
    messages: list[Message] = list(lead)
    at: dict[tuple[str, int], int] = {}
    asked: dict[tuple[Message, int | None], int] = {}
    selected: int | None = None
    for name, output in pairs:
        if not can_ask(dialect, name):
            continue
        if selected != output and (first := selection(dialect, output, dialect.operations[name].query)):
            messages += first
            selected = output
        query = ask(dialect, name, output=output)
        if (query, selected) not in asked:
            asked[query, selected] = len(messages)
            messages.append(query)
        at[name, output] = asked[query, selected]
    return Asked(tuple(messages), at)


def switching_off(dialect: Dialect, outputs: Sequence[int], *, spare: bool) -> tuple[list[tuple[Message, ...]], Asked]:
    """Return what switches these outputs off, relying on no earlier selection, and what asks whether they are.

    What is told stands in parts, each of which works without the others. `spare`: other outputs are to be left alone,
    so that one message for all is not used.
    """
    told: list[tuple[Message, ...]] = []
    pairs: list[tuple[str, int]] = []
    if can_tell(dialect, "master"):
        told.append(spell(dialect, "master", on=False))
        pairs.append(("master", outputs[0]))
    entry = dialect.operations.get("all_off")
    each = dialect.output_scope == "each" and (
        "select" in dialect.operations or (entry is not None and names_output(*entry.send, entry.query))
    )
    spelt = entry is not None and bool(entry.send) and (each or not spare)
    alone = outputs[:1] if dialect.output_scope == "all" else outputs
    for output in outputs[:1] if spelt and not each else alone:
        name = "all_off" if spelt else "switch"
        first = selection(dialect, output, *dialect.operations[name].send)
        told.append((*first, *spell(dialect, name, output=output, on=False)))
    name = "all_off" if can_ask(dialect, "all_off") and spelt else "switch"
    pairs += [(name, output) for output in (outputs[:1] if name == "all_off" and not each else alone)]
    return told, questions(dialect, pairs)


def clears_every_trip(dialect: Dialect) -> bool:
    """Whether clearing a trip clears those of all outputs, because nothing in it says which one."""
    entry = dialect.operations["clear_trip"]
    return "select" not in dialect.operations and not names_output(*entry.send, entry.query)
