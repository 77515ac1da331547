"""What the preview says of limits that are computed: for each rail what makes it, and what both sums come to. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from bringup.core.columns import JOINED
from bringup.core.design_limits import Designed
from bringup.core.wording import limits_text, shown


def design_lines(rails: Sequence[Designed]) -> Iterator[str]:
    """Say how the limits of each rail came about; nothing where none is computed."""
    if not rails:
        return
    yield "How computed limits came about:"
    for each in rails:
        nominal = "" if each.limits.nominal is None else f"{shown(float(each.limits.nominal), 'V', 6)} nominal; "
        yield f"  {each.rail}: {nominal}{_unbroken(each.basis)}"
        yield (
            f"      worst case {limits_text(each.worst_case)}, root-sum-square {limits_text(each.root_sum_square)}; "
            f"judged by the {'former' if each.limits is each.worst_case else 'latter'}"
        )
    yield ""


def _unbroken(text: str) -> str:
    """Keep a number and its unit, and a tolerance, on one line."""
    return re.sub(r"(?<=[0-9]) (?=[%°µΩA-Za-z])", JOINED, text).replace(" ± ", f"{JOINED}±{JOINED}")


def design_data(each: Designed) -> dict[str, object]:
    """Return the same as plain data."""
    return {
        "rail": each.rail,
        "nominal": None if each.limits.nominal is None else float(each.limits.nominal),
        "worst_case": _ends(each, worst=True),
        "root_sum_square": _ends(each, worst=False),
        "judged_by": each.tolerances.value,
        "basis": each.basis,
    }


def _ends(each: Designed, *, worst: bool) -> dict[str, float | None]:
    limits = each.worst_case if worst else each.root_sum_square
    return {"low": _number(limits.low), "high": _number(limits.high)}


def _number(value: object) -> float | None:
    return None if value is None else float(str(value))
