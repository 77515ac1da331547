"""Volts before ohms where a person reads the meter: why they are asked for, and again until they are what was meant.

A 0.1 that was meant as millivolts must not leave a point unmeasured without a word.
"""

from __future__ import annotations

import re

from bringup.core.limits import Limits
from bringup.core.replies import Value
from bringup.core.wording import shown
from bringup.runner.measuring import read_once
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.roles import Function
from bringup.runner.work import Work

DEAD = 0.050
"""Volts up to which a point counts as dead (into 10 Mohm; common practice, no source)."""
_BARE = re.compile(r"[+-]?[0-9]*\.?[0-9]+")
"""A number typed without a unit."""
WHY = "a point that carries more than 50 mV is charged or fed: ohms would be wrong"
AGAIN = "read it again and type it again"
GIVE_UP = "it stays so: go on without its ohms, and the attempt stays incomplete"


def say_why(work: Work) -> None:
    """Say once in a step why volts are asked for before ohms."""
    if work.volts_explained != work.this_step.index:
        work.volts_explained = work.this_step.index
        work.journal.show("hint", f"  Volts before ohms: {WHY}.")


def typed_until_dead(work: Work, point: str, value: Value, live: Limits | None) -> Value:
    """Have volts above 50 mV typed again as often as the person wants; return the last ones.

    `live`: volts that are meant to be there.
    """
    while value.number is not None and abs(value.number) > DEAD and not (live and live.accepts(value.number)):
        slip = f"type {value.raw.strip()}m for millivolts, or " if _BARE.fullmatch(value.raw.strip()) else ""
        found = f"{point}: {shown(value.number, 'V')} is above 50 mV"
        text = f"{found}: {slip}wait for the discharge and type it again ({WHY})"
        prompt = Prompt(PromptKind.CHOICE, text, choices=(AGAIN, GIVE_UP), suggestion=GIVE_UP)
        if work.waits.answer(prompt).text != AGAIN:
            return value
        value = read_once(work, Function.DC_VOLTS, point, around=1.0)
    return value
