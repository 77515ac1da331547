"""The plain view: lines and nothing else, for files, pipes and terminals without colour."""

from __future__ import annotations

import os
from typing import TextIO

from bringup.terminal.lines import Line
from bringup.terminal.person import KEYS, Person
from bringup.terminal.probe_place import PROBE_KEYS, place_in_words
from bringup.terminal.view import View, question_lines, ring

_USUAL = 80
"""Columns of a terminal that does not say how many it has."""


class PlainView(View):
    """Lines that only ever go forward."""

    def __init__(self, stream: TextIO, person: Person | None = None) -> None:
        super().__init__(stream, person)
        self._asked = 0
        self._echoed = ""
        self._remark = ""
        self._place = ""
        self._keys_said = False

    def _open(self) -> None:
        if self.person is not None:
            self._put(Line(f"keys: {KEYS}; Ctrl-C calls off at any time"))

    def _width(self) -> int | None:
        # A file or a pipe is as wide as a line needs; only a terminal has an edge, and who states one.
        if not self._stream.isatty():
            stated = os.environ.get("COLUMNS", "")
            return int(stated) if stated.isdecimal() and int(stated) else None
        try:
            return os.get_terminal_size(self._stream.fileno()).columns or _USUAL
        except (OSError, ValueError):
            return _USUAL

    def _write(self, line: Line) -> None:
        self._end_line()
        self._stream.write(line.text + "\n")
        self._stream.flush()

    def _draw(self) -> None:
        """Put a new question into lines, and echo what is typed."""
        if self.person is None:
            return
        self._show_place()
        person = self.person
        put, question, typed, remark = person.put, person.question, person.typed, person.remark
        if put != self._asked:
            self._asked, self._remark = put, ""
            for text in [] if question is None else question_lines(question):
                self._put(Line(text))
        if remark != self._remark:
            self._remark = remark
            if remark:
                self._put(Line(f"  {remark}"))
        if question is None:
            self._end_line()
        while self._echoed and not typed.startswith(self._echoed):
            self._stream.write("\b \b")
            self._echoed = self._echoed[:-1]
        self._stream.write(self._fit(typed[len(self._echoed) :]))
        self._echoed = typed
        self._stream.flush()

    def _show_place(self) -> None:
        """Say where the probe goes, once for each point, and what keys do meanwhile, once."""
        told = self.scene.probing
        place = "" if told is None else place_in_words(told)
        if place and place != self._place:
            self._put(Line(f"  {place}"))
            if not self._keys_said:
                self._put(Line(f"  [keys: {PROBE_KEYS}]"))
            self._keys_said = True
        self._place = place

    def _end_line(self) -> None:
        """End the line on which typed text was echoed: what comes next is a line of its own."""
        if self._echoed:
            self._stream.write("\n")
            self._echoed = ""

    def _strike(self, times: int) -> None:
        if self.person is not None:
            ring(self._stream, times, self._leave)
