"""The option `--ambient`: the temperature around the board, with its unit."""

from __future__ import annotations

from bringup.core.quantity import parse_quantity
from bringup.errors import CommandError, NotationError

LOWEST_AMBIENT, HIGHEST_AMBIENT = -80, 200
"""degC between which boards are tested, chambers included (common practice, no source)."""


def ambient_of(text: str | None) -> float | None:
    """Return a temperature in degC, None where none is given.

    Raises CommandError for another unit, or one at which nobody works.
    """
    if text is None:
        return None
    try:
        degrees = parse_quantity(text, "degC").number
    except NotationError as error:
        raise CommandError(
            f"--ambient {text!r}: {error.message}", "Write it with its unit: --ambient '23 degC'."
        ) from error
    if not LOWEST_AMBIENT <= degrees <= HIGHEST_AMBIENT:
        raise CommandError(
            f"--ambient {text!r} lies outside {LOWEST_AMBIENT} degC .. {HIGHEST_AMBIENT} degC",
            "State the temperature around the board, such as '23 degC'.",
        )
    return degrees
