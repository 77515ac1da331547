"""Shapes that the tables of fields of every kind of file are made of: names, texts, quantities of one unit."""

from __future__ import annotations

from bringup.files.amounts import Amount
from bringup.files.sections import Several
from bringup.files.shapes import Text

NAME = Text(name=True)
TEXT = Text()
TEXTS = Several(TEXT)
VOLTS, AMPERES, OHMS, SECONDS = Amount(("V",)), Amount(("A",)), Amount(("ohm",)), Amount(("s",))
WATTS = Amount(("W",))
FARADS, PERCENT = Amount(("F",)), Amount(("%",))
ANY_VOLTS, SOME_SECONDS = Amount(("V",), least=""), Amount(("s",), least="zero")
