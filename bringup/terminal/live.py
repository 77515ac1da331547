"""The live view: lines that stay scroll up, a status stays at the foot of the screen. The only door to rich."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, TextIO

from bringup.runner.prompts import Prompt
from bringup.terminal.person import Person
from bringup.terminal.pictures import UNICODE
from bringup.terminal.scene import Line, Tone
from bringup.terminal.view import WIDE_FROM, View, harmless, question_lines, ring, signs_for

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.live import Live
    from rich.text import Text

KEYS = "q call off    n note    l leave this step out    c correct the last typed value"

_STYLES = {
    Tone.PLAIN: "",
    Tone.HEAD: "bold",
    Tone.GOOD: "green",
    Tone.BAD: "bold red",
    Tone.WARN: "yellow",
    Tone.QUIET: "dim",
}


_POWER: dict[bool | None, tuple[str, str]] = {
    True: ("  INPUT ON  ", "bold white on red"),
    False: ("  INPUT OFF  ", "bold black on green"),
    None: ("  INPUT ??  ", "bold black on yellow"),
}
"""Whether an output is on -> words and style; the words differ, not only the colours."""


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


class LiveView(View):
    """The live view: lines that stay scroll up, the status stays at the foot of the screen."""

    def __init__(self, stream: TextIO, person: Person | None = None, *, monotonic: float = 0.0) -> None:
        """`monotonic`: offset of the attempt's clock, so that remaining times can be shown; both count alike."""
        super().__init__(signs_for(stream), person)
        self._stream = stream
        self._offset = monotonic
        self._console: Console | None = None
        self._live: Live | None = None
        self._shown: tuple[object, ...] = ()

    def _open(self) -> None:
        from rich.console import Console
        from rich.live import Live

        self._console = Console(file=self._stream, highlight=False, markup=False, emoji=False)
        self.scene.narrow = self._console.width < WIDE_FROM
        self._live = Live(self._status(), console=self._console, auto_refresh=False, transient=True)
        self._live.start()

    def _shut(self) -> None:
        if self._live is not None:
            self._live.stop()

    def _write(self, line: Line) -> None:
        from rich.text import Text

        assert self._console is not None
        self._console.print(Text(line.text, style=_STYLES[line.tone]), soft_wrap=True)

    def _draw(self) -> None:
        if self._live is None or (self._leave.is_set() and self.scene.ended):
            return
        # A status that has not changed is not drawn again: slow lines and screen readers are glad of it.
        shown = self._what_counts()
        if shown != self._shown:
            self._shown = shown
            self._live.update(self._status(), refresh=True)

    def _what_counts(self) -> tuple[object, ...]:
        """Return everything that the status shows; equal means that it would look the same."""
        scene, person = self.scene, self.person
        asked = () if person is None else (person.question, person.typed, person.remark)
        return (scene.title, scene.ended, scene.power, scene.poll, scene.step, self._going(), *asked)

    def _strike(self, times: int) -> None:
        ring(self._stream, times, self._leave)

    def _status(self) -> RenderableType:
        from rich.console import Group
        from rich.text import Text

        scene = self.scene
        if scene.ended or not scene.title:
            return Text("")
        head = Text(f"── {scene.title} ", style="bold")
        if scene.simulated:
            head.append("── SIMULATED ", style="bold magenta")
        parts: list[RenderableType] = [head, self._power_line()]
        doing = " ".join(part for part in (scene.step, self._going()) if part)
        if doing:
            parts.append(Text(f" {harmless(doing)}", style="dim"))
        if self.person is not None and self.person.question is not None:
            parts += self._question(self.person, self.person.question)
        parts.append(Text(f" {KEYS}", style="dim"))
        return Group(*parts)

    def _going(self) -> str:
        scene = self.scene
        parts = [scene.sample] if scene.sample else []
        if scene.going:
            left = "" if scene.going_until is None else max(0.0, scene.going_until - (time.monotonic() + self._offset))
            parts.append(f"{scene.going}{f' … {left:.1f} s' if isinstance(left, float) else ''}")
        return "— " + "; ".join(parts) if parts else ""

    def _power_line(self) -> Text:
        from rich.text import Text

        poll = self.scene.poll
        word, style = _POWER[self.scene.power]
        line = Text(" ").append(word, style=style)
        if poll is None:
            return line
        line.append(f"  {_number(poll.volts, 3)} V  {_number(poll.amps, 4)} A", style="bold")
        watts = None if poll.volts is None or poll.amps is None else poll.volts * poll.amps
        line.append(f"  {_number(watts, 3)} W")
        if poll.set_volts is not None and poll.set_amps is not None:
            line.append(f"   set {poll.set_volts:g} V, limit {poll.set_amps:g} A", style="dim")
        if poll.mode == "current":
            line.append("  IN CURRENT LIMIT ", style="bold black on yellow")
        if poll.fault is not None:
            line.append(f"  supply: {poll.fault.value} ", style="bold white on red")
        return line

    def _question(self, person: Person, question: Prompt) -> list[RenderableType]:
        from rich.text import Text

        style = "bold yellow" if question.danger or question.kind.value == "caution" else "bold"
        lines = question_lines(question)
        parts: list[RenderableType] = [Text(f" {harmless(line)}", style=style) for line in lines]
        typed = (
            Text(" > ", style="bold").append(harmless(person.typed)).append("▏" if self.scene.signs is UNICODE else "_")
        )
        if person.remark:
            typed.append(f"  {person.remark}", style="yellow")
        return [*parts, typed]
