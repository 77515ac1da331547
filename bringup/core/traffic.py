r"""What goes to the instruments of an attempt and comes back, as lines of plain ASCII: written, and read again. Pure.

    0.012345 supply opened     joined "TCPIP0::192.168.1.5::5025::SOCKET"
    0.013100 supply out        "*IDN?\n"
    0.015200 supply in         part "WEST DOCK,S-1,0007,1.0\n"

Seconds since the start, who, what, words, and in quotes what was said, one character for each byte.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from bringup.core.frozen import frozen

FIRST_LINE = "# bringup traffic, form 1"
EXPLAINED = (
    "# Every line: seconds since the start, who, what, words, and in quotes what was said.",
    '# In quotes every byte is one character; where it is not plain, \\n \\r \\t \\" \\\\ or \\xNN (hexadecimal).',
    "# opened: connected there; again, if there was a connection before. joined, single: how messages go out.",
    "# not_opened: no connection, and why.",
    "# out: sent. in: received; end: the link says that a message ends there; part: it does not.",
    "# silent: waited so many seconds and nothing came (a time-out, where an answer was due).",
    "# unsent: what was to go out could not be sent. broken: the link failed. closed: by us.",
    "# failed: what was asked or told is given up, and why; the next line opens the link anew or is another question.",
    "# took: a question was answered then, so many seconds after it was sent.",
    "# stray: a line that came (see `in` before) and answers nothing. lost: so many lines were not kept.",
    "# The person: present or absent; asked, answered, withdrawn (a question), key; interrupted by a signal.",
    "# A serial line of the board (line1 ...): heard, after how many bytes lost; news of the line; gone, and why, or",
    "# back; told; sent, or why not.",
    "# Photos, each question by its number: looks into a folder; seen there: new, bytes, when; looked: that was all.",
    "# reads a file; read: kind, width, height, bytes, SHA-256; unread: why neither. No picture is in here.",
    "# The tool woke: it went on after waiting for whatever comes first.",
    "# The guardian, a process of its own, is not in here. Lines that begin with # mean nothing.",
    "# The serial numbers of the unit and of the instruments are in here, and all that was typed. Nothing secret is.",
)
"""What stands at the head of every file, after FIRST_LINE."""

_FAULT = "timeout|lost|refused|not_sent|gave_way|other_instrument"
EVENTS: Mapping[str, tuple[str, bool]] = {
    "opened": ("joined|single", True),
    "not_opened": (_FAULT, True),
    "out": ("", True),
    "in": ("part|end", True),
    "silent": (r"[0-9]{1,9}\.[0-9]{1,6}", False),
    "unsent": (_FAULT, True),
    "broken": (_FAULT, True),
    "failed": (_FAULT, True),
    "closed": ("", False),
    "took": (r"[0-9]{1,9}\.[0-9]{1,6}", False),
    "stray": ("", True),
    "lost": ("[0-9]{1,9}", False),
    "present": ("", False),
    "absent": ("", False),
    "asked": ("[a-z]+", True),
    "answered": ("(by_itself|person)( [0-9]{1,6})*", True),
    "withdrawn": ("", False),
    "key": ("", True),
    "woke": ("", False),
    "interrupted": ("", True),
    "heard": ("[0-9]{1,12}", True),
    "news": ("", True),
    "gone": ("", True),
    "told": ("", True),
    "sent": ("", True),
    "looks": ("[0-9]{1,9}", True),
    "seen": ("[0-9]{1,9} [0-9]{1,18} [0-9]{1,19}", True),
    "looked": ("[0-9]{1,9}", False),
    "reads": ("[0-9]{1,9}", True),
    "read": ("[0-9]{1,9} [a-z]+ [0-9]{1,9} [0-9]{1,9} [0-9]{1,12} [0-9a-f]{64}", True),
    "unread": ("[0-9]{1,9}", True),
}
"""What can happen -> its words (regular expression), and whether something is quoted after them."""

WIDTH = max(map(len, EVENTS))
_LINE = re.compile(
    r" *(?P<at>[0-9]{1,12}\.[0-9]{1,9}) +(?P<who>[a-z][a-z0-9_-]*) +(?P<what>[a-z_]+)"
    r'(?P<words>(?: +[0-9a-z_.]+)*) *(?P<data>"(?:[^"\\]|\\.)*")? *'
)
_PLAIN = {"\n": "\\n", "\r": "\\r", "\t": "\\t", '"': '\\"', "\\": "\\\\"}
_BACK = {spelt[1]: character for character, spelt in _PLAIN.items()}
_ESCAPE = re.compile(r"\\(?:x([0-9a-f]{2})|(.?))")


class Differs(BaseException):
    """A replay that does something else than its trace. Says where, what was done then, and what now.

    No Exception: nothing that handles those may go on after it.
    """

    def __init__(self, text: str, line: int) -> None:
        super().__init__(text)
        self.line = line
        """How far the replay came."""


@frozen
class Event:
    """One line. `data`: what was quoted, '' where nothing is."""

    at: float
    """Seconds since the start."""
    who: str
    what: str
    words: str = ""
    data: bytes = b""
    line: int = 0
    """Its number in the file, from 1."""

    @property
    def text(self) -> str:
        """The quoted part as text of people (UTF-8)."""
        return self.data.decode("utf-8", "replace")


def escaped(data: bytes) -> str:
    """Return the bytes as printable ASCII, without quotes."""
    return "".join(
        _PLAIN.get(each, each if " " <= each <= "~" else f"\\x{ord(each):02x}") for each in data.decode("latin-1")
    )


def unescaped(text: str) -> bytes:
    """Return the bytes that `escaped` wrote so. Raises ValueError with what is wrong."""

    def back(found: re.Match[str]) -> str:
        if found[1] is not None:
            return chr(int(found[1], 16))
        if found[2] not in _BACK:
            raise ValueError(f"{found[0]} stands for nothing")
        return _BACK[found[2]]

    if not (text.isascii() and text.isprintable()):
        raise ValueError("only plain ASCII characters stand here")
    return _ESCAPE.sub(back, text).encode("latin-1")


def written(event: Event) -> str:
    """Return the line, without its end."""
    words, quoted = EVENTS[event.what]
    said = f'"{escaped(event.data)}"' if quoted else ""
    head = f"{event.at:12.6f} {event.who:<6} {event.what:<{WIDTH if words or quoted else 0}}"
    return " ".join(filter(None, (head, event.words, said)))


def read(text: str, line: int) -> Event | None:
    """Return what a line says; None for one that means nothing. Raises ValueError with what is wrong."""
    if not text.strip() or text.startswith("#"):
        return None
    found = _LINE.fullmatch(text)
    if found is None:
        raise ValueError("this is not: seconds, who, what, words and a quoted text")
    what, words, data = found["what"], " ".join(found["words"].split()), found["data"]
    if what not in EVENTS:
        raise ValueError(f"`{what}` is none of {', '.join(EVENTS)}")
    pattern, quoted = EVENTS[what]
    if not re.fullmatch(pattern, words):
        raise ValueError(f"after `{what}` stands `{words}` instead of {pattern or 'nothing'}")
    if quoted != (data is not None):
        raise ValueError(f"after `{what}` there is {'no' if quoted else 'a'} quoted text")
    return Event(float(found["at"]), found["who"], what, words, unescaped(data[1:-1]) if data else b"", line)
