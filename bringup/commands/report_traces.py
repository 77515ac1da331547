"""Curves of a report, drawn by matplotlib as SVG inside the page: the one door to it, and it is optional."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import Any

from bringup.core.harmless import harmless
from bringup.core.thinning import opened, thinned
from bringup.logbook.traces import Mark, Trace
from bringup.pages.rendering import trusted

MOST_POINTS = 1500
APART = 0.018
"""Labels of steps nearer than this part of the picture's width are put together."""
WIDE = 7.6
"""Of a picture, in inches."""
LONGEST_MARK = 24
"""Characters of a mark's name that fit along its line; the words beside the picture have it whole."""
MOST_MARKS = 40
"""Marks drawn in one picture: more cannot be read."""
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
    figure: Any, traces: Sequence[Trace], beginnings: Sequence[tuple[int, float]], marks: Sequence[Mark], *, number: int
) -> Any:
    """Return one picture with a panel for each trace, all over the same time, steps and marks in it.

    `marks`: of the log that is drawn. `number`: which picture of the page this is, for names within it.
    """
    made = figure(figsize=(WIDE, 0.7 + 1.3 * len(traces)), layout="constrained")
    panels = made.subplots(len(traces), 1, sharex=True, squeeze=False)[:, 0]
    first = min(at for trace in traces for at, _ in trace.course)
    last = max(at for trace in traces for at, _ in trace.course)
    steps = [(step, at) for step, at in beginnings if first <= at <= last]
    labels = _together(steps, (last - first) or 1.0)
    shown = [mark for mark in marks if first <= mark.at <= last][:MOST_MARKS]
    for panel, trace in zip(panels, traces, strict=True):
        course = thinned(opened(trace.course), MOST_POINTS)
        values = [float("nan") if value is None else value for _, value in course]
        # Dots, too: a value between two gaps has no line.
        panel.plot([at for at, _ in course], values, color="#0b3d66", linewidth=1.0, marker=".", markersize=2)
        panel.set_title(
            _plain(f"{trace.name} [{trace.unit}]"),
            loc="left",
            fontsize=9,
            pad=17 if labels and panel is panels[0] else 5,
        )
        panel.ticklabel_format(axis="y", useOffset=False)
        panel.tick_params(labelsize=8)
        panel.grid(visible=True, color="#d5d5d5", linewidth=0.5)
        panel.spines[["top", "right"]].set_visible(False)
        panel.margins(x=0.01, y=0.12)
        for _, at in steps:
            panel.axvline(at, color="#666666", linewidth=0.7, linestyle="--")
        for mark in shown:
            panel.axvline(mark.at, color="#000000", linewidth=1.0, linestyle=":")
    for mark in shown:
        _name(panels[0], mark)
    for text, at in labels:
        panels[0].annotate(
            *(text, (at, 1)),
            xycoords=("data", "axes fraction"),
            va="bottom",
            ha="center",
            fontsize=8,
            annotation_clip=False,
        )
    lines = [words for given, words in ((steps, "dashed: steps by number"), (shown, "dotted: marks")) if given]
    panels[-1].set_xlabel("; ".join(["seconds since the attempt began", *lines]), fontsize=8)
    out = io.StringIO()
    made.savefig(out, format="svg", metadata={"Creator": None, "Date": None, "Format": None, "Type": None})
    return trusted(inlined(out.getvalue(), f"c{number}"))


def _name(panel: Any, mark: Mark) -> None:
    """Write a mark's name along its line; it takes no room from the curves, however long it is."""
    text = mark.name if len(mark.name) <= LONGEST_MARK else f"{mark.name[: LONGEST_MARK - 1]}…"
    place = {"xy": (mark.at, 0.02), "xycoords": ("data", "axes fraction"), "va": "bottom", "ha": "right"}
    written = panel.annotate(_plain(text), rotation=90, fontsize=7, **place)
    written.set_in_layout(False)


def _together(steps: Sequence[tuple[int, float]], span: float) -> list[tuple[str, float]]:
    """Return a label for each step, one for several that begin too near to one another to be told apart."""
    groups: list[list[tuple[int, float]]] = []
    for step, at in steps:
        if groups and at - groups[-1][0][1] < APART * span * (1 + len(groups[-1])):
            groups[-1].append((step, at))
        else:
            groups.append([(step, at)])
    return [(str(of[0][0]) if len(of) == 1 else f"{of[0][0]}-{of[-1][0]}", (of[0][1] + of[-1][1]) / 2) for of in groups]


def _plain(text: str) -> str:
    """Return a text in which a dollar begins no formula, on one line."""
    return harmless(" ".join(text.split())).replace("$", r"\$")


def inlined(svg: str, prefix: str) -> str:
    """Return a drawing as a part of a page: without a document's head, names within it its own by the prefix."""
    body = svg[svg.index("<svg") :]
    body = re.sub(r' xmlns:xlink="[^"]*"', "", body.replace("xlink:href", "href"))
    return re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{prefix}-", body)
