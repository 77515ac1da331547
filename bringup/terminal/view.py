"""What every view of an attempt has: a bounded queue, a thread that shows, the bell, questions as lines.

`tell` only puts what was told into a bounded queue; a thread of the view writes to the terminal. A terminal that
stands still (scroll lock, a slow line) therefore never holds up an attempt: what only refreshes the picture is
dropped first. plain.py and live.py write.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import TextIO

from bringup.core.harmless import harmless
from bringup.runner.prompts import Prompt
from bringup.runner.protocols import Told
from bringup.terminal.lines import Line, Tone, wrapped
from bringup.terminal.person import Person, hint
from bringup.terminal.pictures import ASCII, UNICODE, Signs
from bringup.terminal.rings import STRIKES
from bringup.terminal.scene import Scene

_MOST = 5_000
"""Things told but not yet shown; beyond, the oldest are dropped (they are in the logbook)."""
_LOSSY = {"poll", "sample", "going", "probing"}
_LOSSY_FROM = 100
"""Queue length from which what only refreshes the picture is dropped."""
_REFRESH = 0.12
"""Seconds between two pictures of the status."""
_STRIKE = 0.12
"""Seconds between two strikes of the bell: fewer and terminals merge them."""


def signs_for(stream: TextIO) -> Signs:
    """Return the signs that the stream's encoding can write."""
    try:
        "├─┼◆◀▶┤".encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return UNICODE


class View:
    """Queue, thread and scene; subclasses write lines and draw the status. Whatever they write passes `_fit`."""

    def __init__(self, stream: TextIO, person: Person | None = None) -> None:
        self.scene = Scene(signs=signs_for(stream))
        self._stream = stream
        self.lost = ""
        """Why nothing can be shown any more, in the system's words; empty while it can."""
        self.person = person
        self._told: deque[Told] = deque(maxlen=_MOST)
        self._something = threading.Event()
        self._leave = threading.Event()
        self._thread = threading.Thread(target=self._work, name="view", daemon=True)

    def start(self) -> None:
        """Begin to show."""
        self._thread.start()

    def tell(self, told: Told) -> None:
        """Take something to show. Never blocks."""
        if told.kind in _LOSSY and len(self._told) > _LOSSY_FROM:
            return
        self._told.append(told)
        self._something.set()

    def changed(self) -> None:
        """Take notice that the question or the typed line changed."""
        self._something.set()

    def close(self) -> None:
        """Show what is left, for a bounded time, and end."""
        self._leave.set()
        self._something.set()
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)

    def _work(self) -> None:
        self._open()
        try:
            while not (self._leave.is_set() and not self._told):
                self._something.wait(timeout=_REFRESH * 4)
                self._something.clear()
                self._show_told()
                self._draw_question()
                self._leave.wait(_REFRESH)
        except (OSError, ValueError) as error:
            # The terminal is gone or closed: there is nothing left to show anything on, and the attempt
            # learns of it from the hang-up signal or the key thread.
            self.lost = getattr(error, "strerror", None) or str(error)
        finally:
            self._shut()

    def _draw_question(self) -> None:
        """Draw, and say to the person which question can be read now: before that no key answers it."""
        put = 0 if self.person is None else self.person.put
        self._draw()
        if self.person is not None:
            self.person.shown(put)

    def _show_told(self) -> None:
        while self._told:
            told = self._told.popleft()
            self.scene.width = self._width()
            for line in self.scene.take(told):
                self._put(line)
            if self.scene.ring is not None:
                self._strike(STRIKES[self.scene.ring])

    def _put(self, line: Line) -> None:
        """Write a line that stays, harmless and broken at words."""
        for part in line.text.split("\n"):
            for piece in wrapped(self._fit(part), None if line.tone is Tone.TO_TYPE else self._width()):
                self._write(Line(piece, line.tone))

    def _fit(self, text: str) -> str:
        """Return the text harmless, and with nothing in it that the stream cannot write."""
        encoding = self._stream.encoding or "utf-8"
        return harmless(text).encode(encoding, "replace").decode(encoding)

    def _width(self) -> int | None:
        """Columns to break lines at; None: as wide as they are."""
        return None

    def _open(self) -> None:
        """Prepare the terminal."""

    def _shut(self) -> None:
        """Leave the terminal as it was."""

    def _write(self, line: Line) -> None:
        """Write one line as it is."""
        raise NotImplementedError

    def _draw(self) -> None:
        """Draw what does not stay."""

    def _strike(self, times: int) -> None:
        """Ring the bell."""


def question_lines(question: Prompt) -> list[str]:
    """Return a question as lines: its text, what it lists (numbered where numbers answer), how to answer."""
    numbered = question.kind.value in {"checklist", "choice"}
    listed = question.choices if question.kind.value == "choice" else question.lines
    lines = [f"? {question.text}"]
    if question.kind.value == "choice":
        lines += [f"   {line}" for line in question.lines]
    lines += [f"   {number}  {text}" if numbered else f"   {text}" for number, text in enumerate(listed, 1)]
    unit = f" (in {question.unit} if no unit is typed)" if question.unit else ""
    lines.append(f"   [{hint(question)}{unit}]")
    return lines


def ring(stream: TextIO, times: int, leave: threading.Event) -> None:
    """Strike the bell so many times, far enough apart to be told apart."""
    for strike in range(times):
        if strike and leave.wait(_STRIKE):
            return
        stream.write("\a")
        stream.flush()
