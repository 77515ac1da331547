"""The questions of `bringup new`: what the options and the CSV do not state. Enter leaves a thing unstated.

What was typed is taken back by `<`; what does not fit the rest is asked again, the rest being kept.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from bringup.commands.bench_find import typed
from bringup.commands.find_text import tell
from bringup.commands.new import Stated, Wanted, check_limit
from bringup.commands.saying import QUOTED
from bringup.commands.taken_back import BACK, Answers
from bringup.core.serials import pattern_like
from bringup.errors import BringupError, CommandError, NotationError
from bringup.files.rail_list import Net, net_of, tree_problems

RANGE = "Volts it is to work over, such as 9 V .. 15 V"
LIMIT = "limit"
"""What the current limit is called where somebody says what to answer again."""
NOTHING = "-"
"""Typed where Enter would keep what was said before: not stated after all."""
_TOLERANCE = re.compile(r"(?:\s*(?:±|\+/-|\+-)|\s\+).*")
Cells = dict[str, str]


class Asking:
    """One person's answers: asked for once, and again as far as they do not fit."""

    def __init__(self, wanted: Wanted, nets: tuple[Net, ...]) -> None:
        self._wanted, self._given = wanted, nets
        self._answers = Answers(typed)
        self._nets: list[Cells] = []
        """What was typed of each net, inputs first."""

    def all(self) -> Stated:
        """Ask for everything that is not stated yet. Ctrl-C and Ctrl-D: click.Abort, with nothing written."""
        tell([f"{BACK} takes back the answer before.\n"])
        return self._answers.of(self._all)

    def again(self, stated: Stated, what: str, blamed: Sequence[str]) -> Stated:
        """Say what does not fit and ask for that again; all else stays. `blamed`: nets that it looks like."""
        # Nobody has seen the lines of the files yet that are quoted with what is wrong.
        told = [line for line in what.splitlines() if not line.startswith(QUOTED)]
        tell(["", *told, "", f"Everything else is kept; {BACK} takes back the answer before."])
        self._answers = Answers(typed)
        return self._answers.of(lambda: self._again(stated, blamed))

    def _all(self) -> Stated:
        wanted, ask, nets = self._wanted, self._answers, self._given
        board = wanted.board or self._something("Name of the board, such as Buoy lamp")
        revision = wanted.revision or ask("Revision (Enter: none)")
        pattern, example = wanted.pattern, wanted.serial
        if not pattern:
            example, pattern = (example, pattern_like(example)) if example else self._serial()
        if not nets:
            self._nets = []
            ask.tell(["\nInputs: where a supply feeds the board"])
            self._several("input")
            ask.tell(["\nRails, in the order in which power reaches them"])
            self._several("rail")
            nets = tuple(map(net_of, self._nets))
        return Stated(board, revision, pattern, example, nets, wanted.limit or self._limit())

    def _again(self, stated: Stated, blamed: Sequence[str]) -> Stated:
        names = [each["rail"] for each in self._nets]
        usual = next((name for name in blamed if name in names), "")
        ends = f" (Enter: {usual})" if usual else ""
        while True:
            which = self._answers(f"Which is to be answered again: {', '.join([*names, LIMIT])}{ends}") or usual
            if which == LIMIT:
                return replace(stated, limit=self._limit())
            if which in names:
                break
            self._answers.refuse([f"nothing is called '{which}'"])
        cells, place = list(self._nets), names.index(which)
        before = self._nets[place]
        others = [net_of(each) for each in (*self._nets[:place], *self._nets[place + 1 :])]
        cells[place] = self._net(which, "rail" if "from" in before else "input", others, before)
        self._nets = cells
        return replace(stated, nets=tuple(map(net_of, cells)))

    def _something(self, question: str) -> str:
        while not (said := self._answers(question)):
            self._answers.refuse(["it needs a name"])
        return said

    def _serial(self) -> tuple[str, str]:
        """Return a serial number as on the label, and the pattern it stands for; both '' where any will do."""
        while True:
            said = self._answers("A serial number as on the label, such as LMP-001 (Enter: any will do)")
            if not said:
                return "", ""
            try:
                return said, pattern_like(said)
            except CommandError as error:
                self._answers.refuse([error.message])

    def _several(self, kind: str) -> None:
        """Ask for one net after the other until nothing is typed; at least one."""
        ask, found = self._answers, False
        while True:
            usual = "VIN" if kind == "input" and not found else ""
            ends = f" (Enter: {usual})" if usual else f" (Enter: no more {kind}s)" if found else ""
            name = ask(f"Name of the {'next ' if found else ''}{kind}{ends}") or usual
            if not name and found:
                return
            if not name:
                ask.refuse([f"at least one {kind}"])
            elif any(each["rail"] == name for each in self._nets):
                ask.refuse([f"{name} is there already"])
            else:
                self._nets.append(self._net(name, kind, [net_of(each) for each in self._nets], {}))
                found = True

    def _net(self, name: str, kind: str, others: Sequence[Net], was: Cells) -> Cells:
        """Ask for one net. `others`: what may feed a rail; `was`: what was said of it before."""
        cells = {"rail": name}
        self._cell(cells, "volts", "Its voltage, such as 3.3 V", was, needed=True)
        if kind == "input":
            if "tolerance" not in cells:
                self._cell(cells, "tolerance", RANGE, was, empty="not stated")
        else:
            cells["from"] = self._source(cells, others, was)
            if "tolerance" not in cells:
                self._cell(cells, "tolerance", "Its tolerance, such as 2 % or 66 mV", was, needed=True)
            self._cell(cells, "load", "Its load, without the rails it feeds, such as 25 mA", was)
            self._cell(cells, "damage above", "What damages what hangs on it, such as 3.6 V", was)
        self._cell(cells, "probe point", "Where to put the probe, such as TP1", was, empty="not stated")
        return cells

    def _source(self, cells: Cells, others: Sequence[Net], was: Cells) -> str:
        known = [one.name for one in others]
        usual = was.get("from", "") or (known[-1] if len(known) == 1 else "")
        while True:
            question = f"What feeds it: {', '.join(known)}{f' (Enter: {usual})' if usual else ''}"
            source = self._answers(question) or usual
            if source not in known:
                self._answers.refuse([f"nothing is called '{source}'"])
            elif wrong := list(tree_problems([*others, net_of({**cells, "from": source, "tolerance": "1 %"})])):
                self._answers.refuse([f"{what}: {to_do}" for _, what, to_do in wrong])
            else:
                return source

    def _cell(
        self, cells: Cells, name: str, question: str, was: Cells, *, needed: bool = False, empty: str = "not known"
    ) -> None:
        """Ask until the answer can be read with what is known of the net by then."""
        before = was.get(name, "")
        if before:
            ends = f" (Enter: {before})" if needed else f" (Enter: {before}; {NOTHING}: {empty})"
        else:
            ends = "" if needed else f" (Enter: {empty})"
        while True:
            said = self._answers(question + ends) or before
            if (not said or said == NOTHING) and not needed:
                return
            more = {name: said}
            if name == "volts":
                more = with_limits(said)
                if re.fullmatch(r"[+-]?[0-9.]+", more[name]):
                    more[name] += " V"
            # An input has no `from`; of a rail it is known, as its tolerance is, when they were asked for.
            rest = {"from": "?", "tolerance": "1 %", **cells} if name == "volts" else cells
            try:
                net_of({**rest, **more})
            except NotationError as error:
                self._answers.refuse([f"{error.message}. {error.what_to_do}".rstrip()])
                continue
            cells.update(more)
            return

    def _limit(self) -> str:
        while True:
            said = self._answers("\nCurrent limit at first power (Enter: from the loads, at least 100 mA)")
            if not said:
                return ""
            try:
                check_limit(said)
            except BringupError as error:
                self._answers.refuse([error.message])
            else:
                return said


def with_limits(said: str) -> Cells:
    """Return the cells that a voltage means as it was typed: '3.3 V ± 2 %' states its tolerance, too."""
    at = _TOLERANCE.search(said)
    return {"volts": said[: at.start()].strip(), "tolerance": at.group().strip()} if at else {"volts": said}
