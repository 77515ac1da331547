"""The plain view: lines and nothing else, for files, pipes and terminals without colour."""

from __future__ import annotations

import shutil
from typing import TextIO

from bringup.runner.prompts import Prompt
from bringup.terminal.person import Person
from bringup.terminal.scene import Line
from bringup.terminal.view import WIDE_FROM, View, harmless, question_lines, ring, signs_for


class PlainView(View):
    """Lines that only ever go forward."""

    def __init__(self, stream: TextIO, person: Person | None = None) -> None:
        super().__init__(signs_for(stream), person)
        # A file or a pipe is as wide as a line needs; only a terminal has an edge.
        self.scene.narrow = stream.isatty() and shutil.get_terminal_size().columns < WIDE_FROM
        self._stream = stream
        self._asked: Prompt | None = None
        self._echoed = ""
        self._remark = ""

    def _write(self, line: Line) -> None:
        encoding = self._stream.encoding or "utf-8"
        text = line.text.encode(encoding, "replace").decode(encoding)
        self._stream.write(text + "\n")
        self._stream.flush()

    def _draw(self) -> None:
        """Put a new question into lines, and echo what is typed."""
        if self.person is None:
            return
        question, typed, remark = self.person.question, self.person.typed, self.person.remark
        if question is not self._asked:
            self._asked, self._echoed, self._remark = question, "", ""
            if question is not None:
                for text in question_lines(question):
                    self._write(Line(harmless(text)))
        if remark != self._remark:
            self._remark = remark
            if remark:
                self._write(Line(f"  {remark}"))
        while self._echoed and not typed.startswith(self._echoed):
            self._stream.write("\b \b")
            self._echoed = self._echoed[:-1]
        self._stream.write(harmless(typed[len(self._echoed) :]))
        self._echoed = typed
        self._stream.flush()

    def _strike(self, times: int) -> None:
        if self.person is not None:
            ring(self._stream, times, self._leave)
