"""Templates to HTML: the one door to Jinja2. Whatever a template puts out is escaped unless it is `trusted`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from bringup.core.harmless import harmless_lines

Words = Mapping[str, Callable[..., Any]]
"""Name of a filter -> what it does to a value, such as writing it with its unit."""


def environment(words: Words) -> Any:
    """Return what makes pages of the templates in the folder beside this module; `words` are their filters.

    A name that no fact bears is an error, not an empty place. None is written as nothing; control characters, which
    HTML forbids, are written out.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("bringup.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_harmless,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters.update(words)
    return made


def trusted(text: str) -> Any:
    """Return text of ours (a plot) as markup. Never for what a person, file or instrument gave."""
    from markupsafe import Markup

    return Markup(text)  # noqa: S704 - the one place where it is done, and why it may be stands above


def _harmless(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, str) and not hasattr(value, "__html__"):
        return harmless_lines(value)
    return value
