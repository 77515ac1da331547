"""The table of fields as documentation: one Markdown table for each section, from the top of the file inwards.

A kind of file whole, its outline (what stands at its top, and which parts there are), or one part of it by name.
"""

from __future__ import annotations

from collections.abc import Iterator

from bringup.files.alternatives import AnyOf, Either
from bringup.files.schema import TABLES
from bringup.files.sections import ByName, Field, Section, Several
from bringup.files.shapes import Shape

STEP = " step"
"""What the name of an action's section ends in."""


def fields_of(kind: str) -> str:
    """Return the documentation of a kind of file as Markdown. Raises KeyError for an unknown kind."""
    return "\n\n".join(_table(section) for section in _sections(TABLES[kind])) + "\n"


def outline_of(kind: str) -> str:
    """Return what stands at the top of a kind of file, and the parts that it may hold. Raises KeyError likewise."""
    top, *parts = _sections(TABLES[kind])
    lines = [f"- `{section.name.removesuffix(STEP)}`: {section.doc}" for section in parts]
    shown = f"Its parts, each shown by `bringup check --fields PART`; all of them by `--fields {kind} --whole`:"
    return "\n".join([_table(top), "", shown, "", *lines]) + "\n"


def part_of(name: str) -> str | None:
    """Return the documentation of one part of a file by its name, an action's being `apply` or `apply step`.

    None where no kind of file has such a part.
    """
    for kind in TABLES:
        for section in _sections(TABLES[kind]):
            if name in (section.name, section.name.removesuffix(STEP)):
                return _table(section) + "\n"
    return None


def parts() -> tuple[str, ...]:
    """Return every name that `--fields` knows: kinds of file first, then their parts, each once."""
    names = [section.name.removesuffix(STEP) for top in TABLES.values() for section in _sections(top)]
    return tuple(dict.fromkeys([*TABLES, *names]))


def _sections(top: Section) -> list[Section]:
    """Return the section and all below it, each once, in the order in which they are met."""
    found: list[Section] = [top]
    for section in found:
        for field in section.fields:
            found += [inner for inner in _inside(field.holds) if inner not in found]
    return found


def _inside(shape: Shape) -> Iterator[Section]:
    """Yield the sections that a shape holds."""
    if isinstance(shape, Section):
        yield shape
    elif isinstance(shape, Several | ByName):
        yield from _inside(shape.of)
    elif isinstance(shape, Either):
        yield from _inside(shape.text)
        yield from _inside(shape.other)
    elif isinstance(shape, AnyOf):
        yield from _inside(shape.other)


def _table(section: Section) -> str:
    lines = [f"### {section.name}", "", section.doc]
    if section.short:
        lines += ["", f"Short form: what would stand under `{section.short}` may stand in its place."]
    if section.alone:
        lines += ["", "Exactly one of these keys."]
    lines += ["", "| key | what it is | holds | if left out | example |", "| --- | --- | --- | --- | --- |"]
    lines += [_row(field, alone=section.alone) for field in section.fields]
    lines += ["", section.more] if section.more else []
    return "\n".join(lines)


def _row(field: Field, *, alone: bool) -> str:
    left_out = "**needed**" if field.required else field.default or ("" if alone else "nothing")
    example = f"`{field.name}: {field.example}`" if field.example else ""
    cells = (f"`{field.name}`", field.doc, field.holds.words(), left_out, example)
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"
