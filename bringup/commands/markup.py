"""HTML and SVG out of text that may hold anything: whatever is not marked as markup is escaped. No other way in."""

from __future__ import annotations

from html import escape

from bringup.core.harmless import harmless_lines

VOID = frozenset({"meta", "br", "line", "path", "rect", "circle", "polygon"})


class Markup(str):
    """Text that is HTML already. Only `element`, `joined` and `trusted` make it."""

    __slots__ = ()


def element(name: str, /, *children: str, **attributes: str | float | None) -> Markup:
    """Return <name attributes>children</name>; children that are no Markup are escaped, attributes always.

    A trailing `_` of an attribute's name goes and other `_` become `-`; those that are None are left out.
    """
    given = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{_plain(str(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    if name in VOID and not children:
        return Markup(f"<{name}{given}/>")
    return Markup(f"<{name}{given}>{joined(*children)}</{name}>")


def joined(*children: str) -> Markup:
    """Return pieces one after the other, text among them escaped."""
    return Markup("".join(child if isinstance(child, Markup) else _plain(child) for child in children))


def trusted(text: str) -> Markup:
    """Return text of ours (a style sheet, a plot) as it is. Never for what a person, file or instrument gave."""
    return Markup(text)


def _plain(text: str) -> str:
    """Escape; control characters, which HTML forbids, are written out."""
    return escape(harmless_lines(text), quote=True)
