"""Curves of a report, drawn by matplotlib as SVG inside the page: the one door to it, and it is optional."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import Any

from bringup.core.thinning import opened, thinned
from bringup.logbook.traces import Mark, Trace
from bringup.pages.rendering import trusted

MOST_POINTS = 1500
MOST_MARKS = 40
"""Marks drawn in one picture: more cannot be read."""
LONGEST_MARK = 24
"""Characters of a mark's name that fit along its line."""
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


def drawn(
    figure: Any,
    traces: Sequence[Trace],
    beginnings: Sequence[tuple[int, float]],
    marks: Sequence[Mark] = (),
    *,
    number: int,
) -> Any:
    """Return one picture with a panel for each trace, all over the same time; steps are marked with their numbers.

    `marks`: of the log that is drawn. `number`: which picture of the page this is, for names within it.
    """
    made = figure(figsize=(7.2, 0.5 + 1.5 * len(traces)), layout="constrained")
    panels = made.subplots(len(traces), 1, sharex=True, squeeze=False)[:, 0]
    first = min(at for trace in traces for at, _ in trace.course)
    last = max(at for trace in traces for at, _ in trace.course)
    steps = [(step, at) for step, at in beginnings if first <= at <= last]
    shown = [mark for mark in marks if first <= mark.at <= last][:MOST_MARKS]
    for panel, trace in zip(panels, traces, strict=True):
        course = thinned(opened(trace.course), MOST_POINTS)
        values = [float("nan") if value is None else value for _, value in course]
        # Dots, too: a value between two gaps has no line.
        panel.plot([at for at, _ in course], values, color="black", linewidth=0.9, marker=".", markersize=2)
        panel.set_ylabel(f"{trace.name.split()[-1]} [{trace.unit}]".replace("$", r"\$"))
        panel.grid(visible=True, color="#cccccc", linewidth=0.5)
        for _, at in steps:
            panel.axvline(at, color="#555555", linewidth=0.7, linestyle="--")
        for mark in shown:
            panel.axvline(mark.at, color="#555555", linewidth=0.7, linestyle=":")
    for mark in shown:
        _name(panels[0], mark)
    for step, at in steps:
        panels[0].annotate(str(step), (at, 1), xycoords=("data", "axes fraction"), va="bottom", ha="center", fontsize=8)
    dotted = "; dotted: marks" if shown else ""
    panels[-1].set_xlabel(f"seconds since the attempt began; dashed lines: steps by number{dotted}")
    out = io.StringIO()
    made.savefig(out, format="svg", metadata={"Creator": None, "Date": None, "Format": None, "Type": None})
    return trusted(_inline(out.getvalue(), number))


def _name(panel: Any, mark: Mark) -> None:
    """Write a mark's name along its line; it takes no room from the curves, however long it is."""
    text = mark.name if len(mark.name) <= LONGEST_MARK else f"{mark.name[: LONGEST_MARK - 1]}…"
    place = {"xy": (mark.at, 0.02), "xycoords": ("data", "axes fraction"), "va": "bottom", "ha": "right"}
    written = panel.annotate(text.replace("$", r"\$"), rotation=90, fontsize=7, **place)
    written.set_in_layout(False)


def _inline(svg: str, number: int) -> str:
    """Take the document's head off and make names within it this picture's own."""
    body = svg[svg.index("<svg") :]
    body = re.sub(r' xmlns:xlink="[^"]*"', "", body.replace("xlink:href", "href"))
    return re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>c{number}-", body)
