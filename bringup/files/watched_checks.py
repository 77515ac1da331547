"""What must fit together in how a step is watched: `steady`, `on_creep`, `on_lost`."""

from __future__ import annotations

from collections.abc import Sequence

from bringup.core.quantity import Quantity
from bringup.files.log_checks import BY_LOAD
from bringup.files.nodes import Problems
from bringup.files.sections import Values

MOST_CREEP = 50
"""Percent: what may move by more is not steady."""
WITHOUT_METER = ("inspect", "question", "note", "load", "dwell", "listen")


def check_watched(kind: str, body: Values, inputs: Sequence[str] | None, problems: Problems) -> None:
    """Report what says nothing in this step. `inputs`: the board's, None if it could not be read."""
    _check_steady(body, problems)
    if "on_lost" in body and (kind in WITHOUT_METER or (kind == "log" and _by_the_supply(body, inputs))):
        message = "`on_lost` is about the meter, and this step reads nothing with it"
        problems.add(body.at("on_lost"), message, "leave it out; a supply that is lost always ends the attempt")


def _check_steady(body: Values, problems: Problems) -> None:
    steady, whole, every = body.get("steady"), body.get("for"), body.get("every")
    if steady is None or steady == "no":
        if "on_creep" in body and "steady" not in body.wrong:
            problems.add(body.at("on_creep"), "`on_creep` without `steady`", "say `steady: yes` as well")
        return
    from bringup.core.creep import LEAST_POINTS, LEAST_SPAN

    if isinstance(steady, Quantity) and steady.value > MOST_CREEP:
        problems.add(body.at("steady"), f"what may move by {steady} is not steady", f"at most {MOST_CREEP} %")
    if whole is not None and whole.number < LEAST_SPAN:
        message = f"`steady` in a step of {whole}: a creep shows over {LEAST_SPAN:g} s at the least"
        problems.add(body.at("steady"), message, "take longer, or leave `steady` out")
    elif whole is not None and isinstance(every, Quantity) and (LEAST_POINTS - 1) * every.number > whole.number:
        message = f"`steady` with a sample every {every} for {whole}: it takes {LEAST_POINTS} samples at the least"
        problems.add(body.at("steady"), message, "sample more often, or log for longer")


def _by_the_supply(body: Values, inputs: Sequence[str] | None) -> bool:
    """Whether everything that is logged comes from the supply or the load."""
    if inputs is None or "what" in body.wrong:
        return False
    return all(
        f"{BY_LOAD} " in text or any(text == name or text.startswith(f"{name} ") for name in inputs)
        for text in body.get("what", ())
    )
