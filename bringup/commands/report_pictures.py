"""Small pictures of a report that need no library: a value's place in its limits."""

from __future__ import annotations

from bringup.commands.markup import Markup, element
from bringup.core.limits import Limits

WIDTH, HEIGHT, MARGIN = 150, 18, 30
"""Of the picture and, within it, of what lies beyond the limits on each side, in CSS pixels."""


def place_picture(value: float, limits: Limits) -> Markup:
    """Return a picture of where the value lies: the permitted range thick between its ends, the value a diamond.

    With one limit the line is as long on either side as that limit is away from zero. What is further off than the
    picture is wide stands at its edge as an arrow. Said in words, too.
    """
    low, high = (None if end is None else float(end) for end in (limits.low, limits.high))
    if low is not None and high is not None:
        span = (high - low) or abs(high) or 1.0
        share = (value - low) / span
        x = MARGIN + share * (WIDTH - 2 * MARGIN)
        thick = (float(MARGIN), float(WIDTH - MARGIN))
        said = f"at {100 * share:.0f} % of the way from the lower to the upper limit"
    else:
        end = low if low is not None else high
        assert end is not None, "limits without an end have no picture"
        share = (value - end) / (abs(end) or 1.0)
        x = WIDTH / 2 + max(-1.0, min(1.0, share)) * (WIDTH / 2 - 8)
        thick = (WIDTH / 2, float(WIDTH)) if low is not None else (0.0, WIDTH / 2)
        said = f"{'above' if value > end else 'below' if value < end else 'on'} the one limit"
    middle = HEIGHT / 2
    ends = [place for place in thick if 0 < place < WIDTH]
    return element(
        "svg",
        element("line", x1=0, y1=middle, x2=WIDTH, y2=middle, stroke="#767676", stroke_width=1),
        element("line", x1=thick[0], y1=middle, x2=thick[1], y2=middle, stroke="#444", stroke_width=5),
        *(element("line", x1=end, y1=2, x2=end, y2=HEIGHT - 2, stroke="#000", stroke_width=2) for end in ends),
        _mark(x),
        class_="place",
        viewBox=f"0 0 {WIDTH} {HEIGHT}",
        width=WIDTH,
        height=HEIGHT,
        role="img",
        aria_label=said,
    )


def _mark(x: float) -> Markup:
    middle, half = HEIGHT / 2, 6.0
    corners: list[tuple[float, float]]
    if x < half:
        corners = [(0, middle), (2 * half, middle - half), (2 * half, middle + half)]
    elif x > WIDTH - half:
        corners = [(WIDTH, middle), (WIDTH - 2 * half, middle - half), (WIDTH - 2 * half, middle + half)]
    else:
        corners = [(x, middle - half), (x + half, middle), (x, middle + half), (x - half, middle)]
    points = " ".join(f"{across:.1f},{down:.1f}" for across, down in corners)
    return element("polygon", points=points, fill="#fff", stroke="#000", stroke_width=2)
