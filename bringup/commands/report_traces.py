"""Curves of a report, drawn by matplotlib as SVG inside the page: the one door to it, and it is optional."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import Any

from bringup.core.thinning import opened, thinned
from bringup.logbook.traces import Trace
from bringup.pages.rendering import trusted

MOST_POINTS = 1500
INSTALL = "pip install 'bringup[report]' (from a checkout: pip install '.[report]')"


def library() -> Any | None:
    """Return matplotlib's Figure, or None where it is not installed."""
    try:
        import matplotlib as mpl
        from matplotlib.figure import Figure
    except ImportError:
        return None
    # Text stays text (it can be found and read aloud), and the same page comes out of the same attempt.
    mpl.rcParams.update({"svg.fonttype": "none", "svg.hashsalt": "bringup", "font.family": "sans-serif"})
    return Figure


def drawn(figure: Any, traces: Sequence[Trace], beginnings: Sequence[tuple[int, float]], *, number: int) -> Any:
    """Return one picture with a panel for each trace, all over the same time; steps are marked with their numbers.

    `number`: which picture of the page this is, for names within it.
    """
    made = figure(figsize=(7.2, 0.5 + 1.5 * len(traces)), layout="constrained")
    panels = made.subplots(len(traces), 1, sharex=True, squeeze=False)[:, 0]
    first = min(at for trace in traces for at, _ in trace.course)
    last = max(at for trace in traces for at, _ in trace.course)
    marks = [(step, at) for step, at in beginnings if first <= at <= last]
    for panel, trace in zip(panels, traces, strict=True):
        course = thinned(opened(trace.course), MOST_POINTS)
        values = [float("nan") if value is None else value for _, value in course]
        # Dots, too: a value between two gaps has no line.
        panel.plot([at for at, _ in course], values, color="black", linewidth=0.9, marker=".", markersize=2)
        panel.set_ylabel(f"{trace.name.split()[-1]} [{trace.unit}]".replace("$", r"\$"))
        panel.grid(visible=True, color="#cccccc", linewidth=0.5)
        for _, at in marks:
            panel.axvline(at, color="#555555", linewidth=0.7, linestyle="--")
    for step, at in marks:
        panels[0].annotate(str(step), (at, 1), xycoords=("data", "axes fraction"), va="bottom", ha="center", fontsize=8)
    panels[-1].set_xlabel("seconds since the attempt began; dashed lines: steps by number")
    out = io.StringIO()
    made.savefig(out, format="svg", metadata={"Creator": None, "Date": None, "Format": None, "Type": None})
    return trusted(_inline(out.getvalue(), number))


def _inline(svg: str, number: int) -> str:
    """Take the document's head off and make names within it this picture's own."""
    body = svg[svg.index("<svg") :]
    body = re.sub(r' xmlns:xlink="[^"]*"', "", body.replace("xlink:href", "href"))
    return re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>c{number}-", body)
