"""The pages of `bringup browse`, each made anew from the logbook as it is."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from importlib import resources
from itertools import groupby
from pathlib import Path
from typing import Any

from bringup import __version__
from bringup.commands.history_beside import effect_lines, entries
from bringup.commands.now import at_bench
from bringup.commands.pages import page
from bringup.commands.report_lot import lot_page
from bringup.commands.report_page import report_page
from bringup.commands.report_photos import Shown, scaled
from bringup.commands.report_spreads import spread_of
from bringup.commands.report_traces import library
from bringup.commands.spread import more_of
from bringup.commands.spread_told import Told
from bringup.commands.tables import local_time
from bringup.core.patterns import counted
from bringup.logbook.comparable import usual
from bringup.logbook.database import Database
from bringup.logbook.deviation_rows import LoggedPhoto
from bringup.logbook.filters import Filters
from bringup.logbook.going import going
from bringup.logbook.lot_yields import LotYield, lot_yields
from bringup.logbook.pictures import stored_photo
from bringup.logbook.queries import Story, history
from bringup.logbook.reading import read
from bringup.logbook.searching import Found, rails, search
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.standings import Last, Standing, last_attempts, standing
from bringup.logbook.whole import whole
from bringup.logbook.whole_lot import whole_lot
from bringup.pages.addresses import (
    SHEET,
    attempt_address,
    lot_address,
    photo_address,
    rail_address,
    unit_address,
    units_address,
)
from bringup.pages.web import Asked, Page, Picture

MOST_UNITS = 500
"""On one page."""
WIDTH = 100
"""Columns of text that is drawn in letters of one width."""
FOLLOW = 1
"""Seconds after which the page of the bench comes anew."""


class Pages:
    """Makes them. `made`: from which logbook."""

    def __init__(self, logbook: AnyLogbook) -> None:
        self._logbook = logbook
        self._name = logbook.name if isinstance(logbook, Path) else str(logbook)

    def by_rule(self) -> Mapping[str, Page]:
        """Return each page by the rule of its address."""
        return {
            "/": self.units,
            "/unit/<serial>": self.unit,
            "/attempt/<identity>": self.attempt,
            "/lot/<path:lot>": self.lot,
            "/photo/<identity>": self.photo,
            "/rails": self.rails,
            "/rail/<path:rail>": self.rail,
            "/now": self.now,
            "/search": self.search,
        }

    def units(self, asked: Asked) -> str:
        """All units, or those whose serial number fits a pattern, some hundreds a page; the yields of their lots."""
        serial = asked.query.get("serial") or None
        filters = Filters(serial=serial)
        written = re.fullmatch("[0-9]{1,6}", asked.query.get("page", ""))
        number = int(written[0]) if written else 1
        every, at, found, yields = self._read(lambda logbook: _page_of(logbook, filters, number))
        counts = Counter(unit.board for unit in every)
        last = _pages(every)
        told = []
        for board, of in groupby(found, key=lambda unit: unit.last.board):
            units = list(of)
            lots = {(board, unit.last.lot, unit.last.simulated) for unit in units if unit.last.lot}
            of_lots = [each for each in yields if (each.board, each.lot, each.simulated) in lots]
            told.append({"name": board, "count": counts[board], "units": units, "yields": of_lots})
        heading = f"Units {serial}" if serial else "Units"
        ways = {"at": at, "last": last, "before": units_address(serial, at - 1), "after": units_address(serial, at + 1)}
        return self._page("units.html", heading=heading, boards=told, ways=ways, nothing="No unit was run yet.")

    def unit(self, asked: Asked) -> str:
        """One unit's story, real and simulated."""
        serial = asked.words["serial"]
        stories = self._read(lambda logbook: history(logbook, serial))
        return self._page("unit.html", serial=serial, stories=[_story(story) for story in stories])

    def attempt(self, asked: Asked) -> str:
        """The report of one attempt."""
        of = self._read(lambda logbook: whole(logbook, asked.words["identity"]))
        figure = library() if of.supply or of.logs else None
        return report_page(of, figure, self._made(), sheet=SHEET)

    def photo(self, asked: Asked) -> Picture:
        """The picture of one photo, no larger than a page shows it."""
        stored = self._read(lambda logbook: stored_photo(logbook, asked.words["identity"]))
        return Picture(*scaled(stored.kind, stored.data))

    def lot(self, asked: Asked) -> str:
        """The report of one lot."""
        filters = Filters(lot=asked.words["lot"])
        return lot_page(self._read(lambda logbook: whole_lot(logbook, filters)), library(), self._made(), sheet=SHEET)

    def rails(self, asked: Asked) -> str:
        """Which rails were read."""
        del asked
        return self._page("rails.html", boards=list(self._read(rails).items()))

    def rail(self, asked: Asked) -> str:
        """How one rail is spread over the units, each unit's first attempt."""
        rail = asked.words["rail"]
        filters = Filters(rail=rail, only="first")
        found = self._read(lambda logbook: usual(logbook, filters))
        told = Told(found.of, found.point, found.simulated, more_of(found))
        spread = spread_of(found.point, found.of, library(), 1)
        facts = {"head": told.head("first"), "drawn": told.drawn(WIDTH), "simulated": found.simulated}
        return self._page(
            "rail.html", rail=rail, spread=spread, numbers=[*told.numbers()], remarks=[*told.remarks()], **facts
        )

    def now(self, asked: Asked) -> str:
        """What goes on at the bench; comes anew every second unless asked to stand still."""
        still = bool(asked.query.get("still"))
        benches = [at_bench(each, datetime.now().astimezone()) for each in self._read(going)]
        simulated = bool(benches) and all(each.simulated for each in benches)
        again = 0 if still else FOLLOW
        return self._page("now.html", benches=benches, still=still, again=again, simulated=simulated)

    def search(self, asked: Asked) -> str:
        """Units, rails, attempts and texts that bear what was asked for."""
        text = asked.query.get("q", "").strip()
        found = self._read(lambda logbook: search(logbook, text)) if text else Found()
        groups = (
            ("Units", [(unit_address(serial), serial) for serial in found.serials]),
            ("Lots", [(lot_address(lot), lot) for lot in found.lots]),
            ("Rails", [(rail_address(rail), rail) for rail in found.rails]),
            ("Attempts", [(attempt_address(each.id), each.text) for each in found.attempts]),
            (
                "What was written: notes, reworks, observations, photos, decisions",
                [(unit_address(each.id), each.text) for each in found.texts],
            ),
        )
        return self._page("found.html", asked=text, found=[(name, links) for name, links in groups if links])

    def trouble(self, status: int, heading: str, lines: list[str]) -> str:
        """What cannot be shown, and why."""
        del status
        return self._page("trouble.html", heading=heading, lines=lines)

    def _page(self, template: str, **facts: Any) -> str:
        return page(template, **{"sheet": SHEET, "made": self._made(), "simulated": False, **facts})

    def _made(self) -> str:
        now = local_time(datetime.now().astimezone())
        return f"{now}, bringup {__version__}, logbook {self._name}, read-only"

    def _read(self, work: Callable[[Any], Any]) -> Any:
        return read(self._logbook, work)


def sheet() -> str:
    """Return the style of all pages."""
    folder = resources.files("bringup.pages") / "templates"
    return "\n".join((folder / name).read_text(encoding="utf-8") for name in ("style.css", "site.css"))


def _pages(units: Sequence[Last]) -> int:
    return max(1, -(-len(units) // MOST_UNITS))


def _page_of(
    logbook: Database, filters: Filters, number: int
) -> tuple[list[Last], int, list[Standing], list[LotYield]]:
    """Return which units there are, the number of the page that is shown, its units, and the yields of all lots."""
    every = last_attempts(logbook, filters)
    every.sort(key=lambda unit: (unit.board, counted(unit.serial), unit.serial, unit.simulated))
    at = min(max(1, number), _pages(every))
    shown = every[(at - 1) * MOST_UNITS : at * MOST_UNITS]
    by_id = {unit.last.id: unit for unit in standing(logbook, filters, shown)}
    return every, at, [by_id[unit.id] for unit in shown], lot_yields(logbook, Filters())


def _seen(photo: LoggedPhoto) -> Shown:
    address = photo_address(photo.origin.id) if photo.sha256 else ""
    return Shown(photo, address, "" if address else "Its picture is not in this logbook.")


def _story(story: Story) -> dict[str, Any]:
    last = next((each for each in story.attempts if each.id == story.last), None)
    board, revision = (last.board, last.revision) if last else story.design
    told: list[tuple[str, list[str]]] = []
    """What stands beside the attempts, each with what stands below it."""
    told += [(entry.line, []) for entry in entries(story.attempts, story.notes, story.beside)]
    told += [(head, below) for head, *below in map(effect_lines, story.effects)]
    return {
        "simulated": story.simulated,
        "head": f"{board}, revision {revision}",
        "lot": last.lot if last else None,
        "attempts": story.attempts,
        "entries": told,
        "photos": [_seen(photo) for photo in story.beside.photos],
    }
