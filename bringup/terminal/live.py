"""The live view: lines that stay scroll up, a status stays at the foot of the screen. The only door to rich.

Text goes to rich as Text, never as markup, and passes `_fit` before: nothing that was told is ever obeyed.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, TextIO

from bringup.runner.prompts import Prompt
from bringup.terminal.letters import what_to_do
from bringup.terminal.lines import Line, Tone, wrapped
from bringup.terminal.loaded import loaded_words
from bringup.terminal.person import KEYS, Person
from bringup.terminal.probe_place import PROBE_KEYS, place_in_large, place_in_words, state_in_words
from bringup.terminal.view import View, question_lines, ring

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.live import Live
    from rich.text import Text

    from bringup.runner.records import PollSample

_STYLES = {
    Tone.PLAIN: "",
    Tone.HEAD: "bold",
    Tone.GOOD: "green",
    Tone.BAD: "bold red",
    Tone.WARN: "yellow",
    Tone.QUIET: "dim",
    Tone.TO_TYPE: "bold",
    Tone.ALARM: "bold white on red",
}
_POWER: dict[bool | None, str] = {
    True: "bold white on red",
    False: "bold black on green",
    None: "bold black on yellow",
}
"""Whether an output is on -> style of the words; the words differ, too."""
_TALL = 20
"""Rows of a window from which large letters leave room for what else there is."""
_FOOT = 10
"""Rows of the status beside a question's own lines, and of what stays above it."""


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


class LiveView(View):
    """The live view: lines that stay scroll up, the status stays at the foot of the screen."""

    def __init__(self, stream: TextIO, person: Person | None = None, *, monotonic: float = 0.0) -> None:
        """`monotonic`: offset of the attempt's clock, so that remaining times can be shown; both count alike."""
        super().__init__(stream, person)
        self._offset = monotonic
        self._console: Console | None = None
        self._live: Live | None = None
        self._shown: tuple[object, ...] = ()
        self._put_up = 0
        """Number of the question that was too long for the status and stands among the lines."""

    def _open(self) -> None:
        from rich.console import Console
        from rich.live import Live

        self._console = Console(file=self._stream, highlight=False, markup=False, emoji=False)
        self._live = Live(self._status(), console=self._console, auto_refresh=False, transient=True)
        self._live.start()

    def _shut(self) -> None:
        if self._live is not None:
            self._live.stop()

    def _width(self) -> int | None:
        return None if self._console is None else self._console.width

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
            self._put_up_long_question()
            self._live.update(self._status(), refresh=True)

    def _what_counts(self) -> tuple[object, ...]:
        """Return everything that the status shows; equal means that it would look the same."""
        scene, person = self.scene, self.person
        asked = () if person is None else (person.put, person.question, person.typed, person.remark, person.keys_line)
        state = (
            scene.title,
            scene.ended,
            scene.power,
            scene.unknown,
            scene.seen.looks,
            scene.step,
            scene.loaded,
            scene.probing,
        )
        return (*state, self._width(), self._going(), *asked)

    def _put_up_long_question(self) -> None:
        """Put a question that would not fit below among the lines that stay, once."""
        person = self.person
        if person is None or person.question is None or self._console is None or self._put_up == person.put:
            return
        lines = question_lines(person.question)
        rows = sum(len(wrapped(self._fit(line), self._width())) for line in lines)
        if rows > self._console.height - _FOOT:
            self._put_up = person.put
            for line in lines:
                self._put(Line(line, Tone.HEAD))

    def _strike(self, times: int) -> None:
        ring(self._stream, times, self._leave)

    def _texts(self, text: str, style: str) -> list[RenderableType]:
        """Return the text as lines of the status, broken at words."""
        from rich.text import Text

        return [Text(piece, style=style) for piece in wrapped(f" {self._fit(text)}", self._width())]

    def _status(self) -> RenderableType:
        from rich.console import Group

        scene, person = self.scene, self.person
        question = None if person is None else person.question
        parts: list[RenderableType] = []
        if scene.title and not scene.ended:
            parts += [self._head(), *self._power_lines()]
            parts += self._texts(f"  {loaded_words(scene.loaded)}", "bold yellow") if scene.loaded else []
            doing = "; ".join(part for part in (scene.step, self._going()) if part)
            parts += self._texts(doing, "dim") if doing else []
            parts += self._place() if scene.probing is not None else []
        # Outputs found on are asked about before the attempt has a title.
        if person is not None and question is not None:
            parts += self._question(person, question)
        if parts:
            parts += self._texts(self._keys_line(), "dim")
        return Group(*parts)

    def _keys_line(self) -> str:
        """Return what keys do now; while switching off is tried, only what was said of that holds."""
        if self.scene.unknown:
            return self.scene.unknown[0]
        keys = KEYS if self.person is None else self.person.keys_line
        return PROBE_KEYS if keys == KEYS and self.scene.probing is not None else keys

    def _place(self) -> list[RenderableType]:
        """Return where the probe is to go: in large letters where the window has the rows for them."""
        from rich.text import Text

        told, width = self.scene.probing, self._width()
        assert told is not None, "asked for only while a point is waited for"
        tall = self._console is not None and self._console.height >= _TALL
        rows = place_in_large(told, width, self._fit(self.scene.signs.block)) if tall else []
        large = [Text(f" {row}", style="bold cyan") for row in rows]
        return [*large, *self._texts(place_in_words(told), "bold"), *self._texts(f"  {state_in_words(told)}", "cyan")]

    def _head(self) -> Text:
        from rich.text import Text

        rule = self.scene.signs.line * 2
        head = Text(f"{rule} {self._fit(self.scene.title)} ", style="bold")
        if self.scene.simulated:
            head.append(f"{rule} SIMULATED ", style="bold magenta")
        return head

    def _going(self) -> str:
        scene = self.scene
        parts = [scene.sample] if scene.sample else []
        if scene.going and scene.going_until is None:
            # It comes again and again, so it is over once anything is asked.
            parts += [] if self.person is not None and self.person.question is not None else [scene.going]
        elif scene.going and scene.going_until is not None:
            left = scene.going_until - (time.monotonic() + self._offset)
            what = "" if scene.step.endswith(scene.going) else f"{scene.going}, "
            parts += [f"{what}{left:.1f} s left"] if left > 0 else []
        return "; ".join(parts)

    def _power_lines(self) -> list[RenderableType]:
        from rich.text import Text

        scene = self.scene
        if scene.unknown:
            style = f"blink {_STYLES[Tone.ALARM]}"
            return [Text(f"!!! {what_to_do(self.scene.unknown[0])} !!!".center(self._width() or 80), style=style)] * 3
        state = Text(" ").append(f"  {scene.power_words}  ", style=_POWER[scene.power])
        below = " " * state.cell_len
        lines: list[RenderableType] = []
        for output, look in scene.seen.looks.items():
            whose = scene.seen.whose(output)
            start = Text(below) if lines else state
            lines.append(start.append(f"  {self._fit(whose)}" if whose else "").append(self._figures(look)))
        return lines or [state]

    def _figures(self, look: PollSample) -> Text:
        """Return what one output is set to and gives."""
        from rich.text import Text

        watts = None if look.volts is None or look.amps is None else look.volts * look.amps
        line = Text(f"  {_number(look.volts, 3)} V  {_number(look.amps, 4)} A", style="bold")
        line.append(f"  {_number(watts, 3)} W", style="not bold")
        if look.set_volts is not None and look.set_amps is not None:
            line.append(f"   set {look.set_volts:g} V, limit {look.set_amps:g} A", style="not bold dim")
        if look.mode == "current":
            line.append("  IN CURRENT LIMIT ", style="bold black on yellow")
        if look.fault is not None:
            line.append(f"  supply: {self._fit(look.fault.value)} ", style="bold white on red")
        return line

    def _question(self, person: Person, question: Prompt) -> list[RenderableType]:
        from rich.text import Text

        style = "bold yellow" if question.danger or question.kind.value == "caution" else "bold"
        lines = question_lines(question)
        if self._put_up == person.put:
            lines = [f"? {question.text} (above)", lines[-1]]
        parts = [part for line in lines for part in self._texts(line, style)]
        typed = Text(" > ", style="bold").append(self._fit(person.typed)).append(self._fit(self.scene.signs.cursor))
        remark = f"  {self._fit(person.remark)}" if person.remark else ""
        width = self._width()
        if width is None or typed.cell_len + len(remark) <= width:
            return [*parts, typed.append(remark, style="yellow")]
        return [*parts, typed, *self._texts(remark, "yellow")]
