"""What an instrument says it is, and which dialect and which of its variants fit that. Pure.

The fit is as good as the stretch of the `*IDN?` reply that a pattern pins down: `PS-3303X-E` goes before `PS-3303X`,
and a maker with a model before a maker. What only fills up (`.*`) is taken as short as it can be.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from bringup.core.dialect import Dialect, Operation, Variant


def fit(pattern: str, identity: str) -> int | None:
    """Return how many characters of the identity the pattern pins down, None where it does not fit at all."""
    found = re.search(re.sub(r"(?<!\\)(\.[*+])(?!\?)", r"\1?", pattern), identity, re.IGNORECASE)
    return None if found is None else found.end() - found.start()


def as_model(dialect: Dialect, identity: str) -> Dialect:
    """Return the dialect as that model speaks it: with the variant that fits best, the first of equals."""
    fits = [(fit(each.pattern, identity), each) for each in dialect.variants]
    known = [(length, each) for length, each in fits if length is not None]
    if not known:
        return dialect
    _, variant = max(known, key=lambda one: one[0])
    return as_variant(dialect, variant)


def as_variant(dialect: Dialect, variant: Variant) -> Dialect:
    """Return the dialect with what is different in that variant."""
    operations: dict[str, Operation] = dict(dialect.operations)
    for name, operation in variant.operations.items():
        if operation is None:
            operations.pop(name, None)
        else:
            operations[name] = operation
    facts = {
        name: getattr(variant, name)
        for name in ("outputs", "output_names", "output_scope", "clear_re_energises")
        if getattr(variant, name) is not None
    }
    return replace(dialect, operations=operations, **facts)


def pick(identity: str, dialects: Iterable[Dialect]) -> tuple[Dialect, ...]:
    """Return the dialects that fit an identity best: one is a choice, several are alike, none is unknown.

    A dialect that fits anything is no choice: it pins down nothing.
    """
    fits = [(fit(each.identity_pattern, identity), each) for each in dialects if each.identity_pattern]
    best = max((length for length, _ in fits if length), default=0)
    return tuple(each for length, each in fits if best and length == best)
