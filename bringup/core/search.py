"""Looking for an expression in a text that comes in pieces: the same is found whatever the pieces are.

All ways through the expression are followed at once, so each character costs at most the size of the expression, and
nothing is kept but the latest of the line under way. What is found is what Python's `re.search` finds in each line:
the first, and of those the preferred. It counts once no character to come can change it. Pure.
"""

from __future__ import annotations

import re

from bringup.core.expression import LINE_ENDS, Done, Fork, Program, Save, first_characters
from bringup.core.expression_tree import One, Place
from bringup.core.frozen import frozen

LONGEST = 4096
"""Characters of what may be found; a line may be of any length."""


@frozen
class Found:
    """What was found, by its places in the text since the search began."""

    start: int
    end: int
    text: str
    certain: int
    """How much of the text had to come until no more could change it."""
    groups: dict[str, str]
    """Named group -> its text; groups that took no part are left out."""


_Slots = tuple[int, ...]
_NOWHERE = -1
_UNKNOWN = "unknown"
_Way = tuple[int, _Slots]
"""Where a way through the program stands, and the places it has noted."""


class Search:
    """One search. Feed it text until it returns what it found."""

    def __init__(self, program: Program, *, before: str = "") -> None:
        """`before`: the character that came just before; '' at the beginning of all."""
        self._steps = program.steps
        self._names = program.groups
        self._blank: _Slots = (_NOWHERE,) * (2 + 2 * len(program.groups))
        self._at = 0
        self._previous = "" if before in LINE_ENDS else before
        self._line: list[str] = []
        """Pieces of the line under way, as far back as anything found may reach."""
        self._line_from = self._kept = 0
        self._best: _Slots | None = None
        self._ways: list[_Way] = []
        """Ways that wait for a character, or for one that decides about the place; the preferred one first."""
        self._fresh = False
        """Whether no way is under way but those that begin here."""
        first = first_characters(program)
        # Of one line at most: an end of line is looked for as well, for there everything begins anew.
        self._first = None if first is None else re.compile("|".join(["[\r\n]", *(_own(one) for one in first)]))
        self._begin()

    def feed(self, text: str) -> Found | None:
        """Take more text; return what is found once it is certain. Not to be fed any more then."""
        place = 0
        while place < len(text):
            if self._fresh and self._first is not None:
                place = self._skip(text, place)
                if place >= len(text):
                    break
            begun, place = place, self._some(text, place)
            if place > begun:
                self._keep(text[begun:place])
            if place < len(text) and text[place] in LINE_ENDS and (self._ways or self._best is None):
                self._end_line(text[place])
                place += 1
            if self._best is not None and not self._ways:
                return self._made(self._best)
        return None

    def finish(self) -> Found | None:
        """Return what is found if nothing more comes: what might have become longer stays what it is."""
        return None if self._best is None else self._made(self._best)

    def _some(self, text: str, place: int) -> int:
        """Take characters up to the end of the line or until it is certain; returns how far it came."""
        while place < len(text) and (character := text[place]) not in LINE_ENDS:
            self._take(character)
            place += 1
            if not self._ways and self._best is not None:
                break
            if self._fresh and self._first is not None:
                break
        return place

    def _skip(self, text: str, place: int) -> int:
        """Pass over characters with which nothing can begin."""
        assert self._first is not None
        found = self._first.search(text, place)
        target = len(text) if found is None else found.start()
        if target > place:
            self._keep(text[place:target])
            self._at += target - place
            self._previous = text[target - 1]
            self._begin()
        return target

    def _keep(self, text: str) -> None:
        """Keep the line under way as far back as anything found may reach."""
        self._line.append(text)
        self._kept += len(text)
        if self._kept > 4 * LONGEST:
            kept = "".join(self._line)[-LONGEST - 1 :]
            self._line, self._line_from, self._kept = [kept], self._line_from + self._kept - len(kept), len(kept)

    def _end_line(self, end: str) -> None:
        """End the line under way: what was found in it is certain, and if nothing was, everything begins anew."""
        self._step(end)
        if self._best is not None:
            self._ways = []
            return
        self._at += 1
        self._line, self._line_from, self._kept, self._previous = [], self._at, 0, ""
        self._begin()

    def _begin(self) -> None:
        """Have nothing under way but what begins here."""
        self._ways = []
        self._expand(0, self._blank, self._ways, set(), _UNKNOWN)
        self._fresh = True

    def _take(self, character: str) -> None:
        ways = self._step(character)
        self._at += 1
        self._previous = character
        following: list[_Way] = []
        seen: set[int] = set()
        for at, slots in ways:
            if self._at - slots[0] <= LONGEST and self._expand(at, slots, following, seen, _UNKNOWN):
                self._ways, self._fresh = following, False
                return
        self._fresh = not following and self._best is None
        if self._best is None:
            self._expand(0, self._blank, following, seen, _UNKNOWN)
        self._ways = following

    def _step(self, character: str) -> list[_Way]:
        """Return the ways that go on after this character; at an end of line none does."""
        ways: list[_Way] = []
        known: list[_Way] = []
        seen: set[int] = set()
        for at, slots in self._ways:
            if not isinstance(self._steps[at], Place):
                known.append((at, slots))
            elif self._expand(at, slots, known, seen, character):
                break
        for at, slots in known:
            step = self._steps[at]
            if isinstance(step, One) and character not in LINE_ENDS and step.accepts(character):
                ways.append((at + 1, slots))
        return ways

    def _expand(self, at: int, slots: _Slots, into: list[_Way], seen: set[int], character: str) -> bool:
        """Follow a way to where it waits for a character. Returns True where it is found: no lower way counts then."""
        left: list[_Way] = [(at, slots)]
        while left:
            at, slots = left.pop()
            if at in seen:
                continue
            seen.add(at)
            step = self._steps[at]
            match step:
                case One():
                    into.append((at, slots))
                case Done():
                    self._best = slots
                    return True
                case Fork(ways=ways):
                    left += [(each, slots) for each in reversed(ways)]
                case Save(slot=slot):
                    left.append((at + 1, (*slots[:slot], self._at, *slots[slot + 1 :])))
                case Place():
                    holds = self._holds(step.kind, character)
                    if holds is None:
                        into.append((at, slots))
                    elif holds:
                        left.append((at + 1, slots))
        return False

    def _holds(self, kind: str, character: str) -> bool | None:
        """Whether this is such a place; None where the next character decides and is not known yet."""
        if kind == "^":
            return self._previous == ""
        if character == _UNKNOWN:
            return None
        ends = character in LINE_ENDS
        if kind == "$":
            return ends
        edge = _of_word(self._previous) != (not ends and _of_word(character))
        return edge if kind == "b" else not edge

    def _made(self, slots: _Slots) -> Found:
        line = "".join(self._line)

        def between(slot: int) -> str:
            return line[slots[slot] - self._line_from : slots[slot + 1] - self._line_from]

        groups = {name: between(2 + 2 * each) for each, name in enumerate(self._names) if slots[2 + 2 * each + 1] >= 0}
        return Found(slots[0], slots[1], between(0), self._at, groups)


def _own(one: One) -> str:
    """Return a class so that it can stand beside others with its own flags."""
    return f"(?i:{one.text})" if one.flags & re.IGNORECASE else f"(?:{one.text})"


def _of_word(character: str) -> bool:
    return bool(character) and re.fullmatch(r"\w", character) is not None
