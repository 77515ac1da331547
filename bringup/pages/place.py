"""A value's place in its limits, as a small picture and in words: what the template `place` draws."""

from __future__ import annotations

from bringup.core.frozen import frozen
from bringup.core.limits import Limits

WIDTH, HEIGHT, MARGIN = 150, 18, 30
"""Of the picture and, within it, of what lies beyond the limits on each side, in CSS pixels."""
HALF = 6.0
"""Half of the mark, in CSS pixels."""


@frozen
class Place:
    """Where to draw what, in CSS pixels from the left upper corner."""

    permitted: tuple[float, float]
    """From where to where the permitted range is drawn, in x."""
    ends: tuple[float, ...]
    """The x of each limit."""
    corners: str
    """Of the mark, as SVG writes points."""
    said: str
    outside: bool
    """Whether the value is beyond a limit."""
    width: int = WIDTH
    height: int = HEIGHT


def place_of(value: float | None, limits: Limits | None) -> Place | None:
    """Return where the value lies; None without a value or without a limit.

    Between two limits, what is permitted is drawn between them. With one, the line is as long on either side as that
    limit is away from zero. What is further off than the picture is wide stands at its edge as an arrow.
    """
    if value is None or limits is None:
        return None
    low, high = (None if end is None else float(end) for end in (limits.low, limits.high))
    if low is not None and high is not None:
        span = (high - low) or abs(high) or 1.0
        share = (value - low) / span
        x = MARGIN + share * (WIDTH - 2 * MARGIN)
        permitted = (float(MARGIN), float(WIDTH - MARGIN))
        said = f"at {100 * share:.0f} % of the way from the lower to the upper limit"
    else:
        end = low if low is not None else high
        if end is None:
            return None
        share = (value - end) / (abs(end) or 1.0)
        x = WIDTH / 2 + max(-1.0, min(1.0, share)) * (WIDTH / 2 - 8)
        permitted = (WIDTH / 2, float(WIDTH)) if low is not None else (0.0, WIDTH / 2)
        said = f"{'above' if value > end else 'below' if value < end else 'on'} the one limit"
    outside = (low is not None and value < low) or (high is not None and value > high)
    ends = tuple(each for each in permitted if 0 < each < WIDTH)
    return Place(permitted, ends, _corners(x), f"{said}, outside" if outside else said, outside)


def _corners(x: float) -> str:
    middle = HEIGHT / 2
    corners: list[tuple[float, float]]
    if x < HALF:
        corners = [(0, middle), (2 * HALF, middle - HALF), (2 * HALF, middle + HALF)]
    elif x > WIDTH - HALF:
        corners = [(WIDTH, middle), (WIDTH - 2 * HALF, middle - HALF), (WIDTH - 2 * HALF, middle + HALF)]
    else:
        corners = [(x, middle - HALF), (x + HALF, middle), (x, middle + HALF), (x - HALF, middle)]
    return " ".join(f"{across:.1f},{down:.1f}" for across, down in corners)
