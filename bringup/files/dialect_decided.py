"""The dialect of an instrument where a bench file leaves it out: decided by the maker and model that it states.

Only what one dialect alone is made for is decided, and who answers must be that maker and model: nothing is guessed,
and what answers is compared before anything but a question is sent.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from bringup.core.models import pick
from bringup.files.dialect_file import known_dialects
from bringup.files.nodes import Problems
from bringup.files.sections import Values
from bringup.files.shapes import Entry

SAY_IT = "state `dialect`; `bringup bench --find` asks the instrument and names the one for it, if there is one"


def decide(role: str, section: Values, beside: Path, problems: Problems) -> bool:
    """Write the dialect into the section of a role that leaves it out; report where not one alone is made for it."""
    expect = section.section_in("expect")
    if expect is None or not (model := expect.get("model")):
        return False  # whoever looks at what is missing has said so
    maker = expect.get("maker", "")
    fitting = [each.name for each in pick(f"{maker},{model},{expect.get('serial', '')},", known_dialects(beside, role))]
    said = " ".join(filter(None, (maker, model)))
    if len(fitting) == 1:
        entries: Mapping[str, Entry] = {**section.entries, "dialect": Entry(None, section.at("expect"), fitting[0])}
        section.entries = entries
        return True
    what = f"these dialects are made for {said} alike: {', '.join(fitting)}" if fitting else ""
    without = "" if maker else "; `expect` without `maker`, the first field of its `*IDN?` reply, may say too little"
    problems.add(section.at("expect"), what or f"no dialect for a {role} is made for {said}{without}", SAY_IT)
    return False
