"""YAML text to nodes: quickly where it is plain, else with all of YAML. Called for every file."""

from __future__ import annotations

from bringup.files.nodes import Node, Problems
from bringup.files.plain_yaml import read_plain


def compose(text: str, problems: Problems) -> Node | None:
    """Return the root node of a YAML text. Faults go to `problems`; None where there is nothing to go on with."""
    root = read_plain(text)
    if root is not None:
        return root
    from bringup.files.full_yaml import compose_any

    return compose_any(text, problems)
