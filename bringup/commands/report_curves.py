"""What of a report went on over time, ready to be drawn: what the supply gave, and what each `log` read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bringup.commands.report_traces import drawn
from bringup.core.frozen import frozen
from bringup.core.wording import listed, shown
from bringup.logbook.traces import Mark, Trace
from bringup.logbook.whole import Whole


@frozen
class Curves:
    """One picture. `drawn`: None where nothing draws it; `lines`: what it shows, in words."""

    title: str
    drawn: Any | None
    lines: tuple[str, ...]

    @property
    def said(self) -> str:
        """The picture in words."""
        return f"{self.title}, over time. {'; '.join(self.lines)}."


def curves(of: Whole, figure: Any | None) -> Iterator[Curves]:
    """Yield what there is of each output and each log. `figure`: what draws, None: nothing."""
    groups: dict[tuple[str, int | None], list[Trace]] = {}
    for trace in of.supply:
        if _has_values(trace):
            groups.setdefault((trace.name.rpartition(" ")[0].removesuffix(","), None), []).append(trace)
    for trace in of.logs:
        if _has_values(trace):
            groups.setdefault(("", trace.step), []).append(trace)
    titles = {step.step: step.title for step in of.attempt.steps}
    for number, ((name, step), traces) in enumerate(groups.items(), 1):
        marks = [mark for mark in of.marks if mark.step == step and step is not None]
        whose = f"O{name[1:]}" if " of " in name else f"Supply, {name}"
        title = whose if step is None else f"Step {step}, {titles.get(step) or 'log'}"
        begun = of.beginnings if step is None else ()
        picture = None if figure is None else drawn(figure, traces, begun, marks, number=number)
        yield Curves(title, picture, (*(_range(trace) for trace in traces), *_marked(marks)))


def _has_values(trace: Trace) -> bool:
    return any(value is not None for _, value in trace.course)


def _range(trace: Trace) -> str:
    values = [value for _, value in trace.course if value is not None]
    missing = len(trace.course) - len(values)
    text = f"{trace.name}: {shown(min(values), trace.unit)} to {shown(max(values), trace.unit)}, {len(values)} values"
    return f"{text}, {missing} times no value" if missing else text


def _marked(marks: Sequence[Mark]) -> list[str]:
    if not marks:
        return []
    return [f"marks: {listed(f'{mark.name} at {mark.at:.1f} s' for mark in marks)}"]
