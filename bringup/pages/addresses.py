"""Where the pages of the site are: the addresses that templates link to."""

from __future__ import annotations

from urllib.parse import quote, urlencode

SHEET = "/style.css"


def unit_address(serial: str) -> str:
    """Return where a unit's story is."""
    return f"/unit/{quote(serial, safe='')}"


def units_address(pattern: str | None, page: int) -> str:
    """Return where that page of the units is whose serial numbers fit the pattern; None: of all."""
    asked = {"serial": pattern} if pattern else {}
    return "/?" + urlencode({**asked, "page": page})


def lot_address(lot: str) -> str:
    """Return where the report of a lot is."""
    return f"/lot/{quote(lot, safe='')}"


def rail_address(rail: str) -> str:
    """Return where a rail's spread is."""
    return f"/rail/{quote(rail, safe='')}"


def photo_address(identity: str) -> str:
    """Return where the picture of a photo is."""
    return f"/photo/{quote(identity, safe='')}"


def attempt_address(identity: str) -> str:
    """Return where the report of an attempt is."""
    return f"/attempt/{quote(identity, safe='')}"
