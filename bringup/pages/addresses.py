"""Where the pages of the site are: the addresses that templates link to."""

from __future__ import annotations

from urllib.parse import quote

SHEET = "/style.css"


def unit_address(serial: str) -> str:
    """Return where a unit's story is."""
    return f"/unit/{quote(serial, safe='')}"


def lot_address(lot: str) -> str:
    """Return where the report of a lot is."""
    return f"/lot/{quote(lot, safe='')}"


def rail_address(rail: str) -> str:
    """Return where a rail's spread is."""
    return f"/rail/{quote(rail, safe='')}"


def attempt_address(identity: str) -> str:
    """Return where the report of an attempt is."""
    return f"/attempt/{quote(identity, safe='')}"
