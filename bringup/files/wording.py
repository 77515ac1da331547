"""Phrases that messages about files share: what was found, what was probably meant."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from bringup.files.nodes import Listing, Node, Pairs


def kind_words(node: Node) -> str:
    """Return what a node is, for 'found ...'."""
    if isinstance(node, Pairs):
        return "a mapping"
    if isinstance(node, Listing):
        return "a list"
    return "nothing" if node.empty else f"'{shorten(node.text)}'"


def shorten(text: str, longest: int = 60) -> str:
    """Return the text on one line, cut where it is long."""
    line = " ".join(text.split())
    return line if len(line) <= longest else line[: longest - 1] + "…"


TRADE = {
    "ldo": "linear",
    "low-dropout": "linear",
    "series": "linear",
    "step-down": "buck",
    "step down": "buck",
    "step-up": "boost",
    "step up": "boost",
    "manual": "by hand",
    "hand": "by hand",
    "wired": "fixed wiring",
    "fixture": "fixed wiring",
    "4-wire": "remote",
    "2-wire": "local",
}
"""What the trade also says -> the word that the files have for it, or for what comes closest."""


def trade_word(word: str, known: Iterable[str]) -> str:
    """Return 'write linear' where the trade's word for it was written; '' where that is not known here."""
    ours = TRADE.get(" ".join(word.casefold().split()), "")
    return f"write {ours}" if ours in known else ""


def nearest(word: str, known: Iterable[str]) -> str:
    """Return 'did you mean ...?' for the nearest known word, else the list of them."""
    import difflib  # only a file with a mistake in it pays for this

    words = list(known)
    lowered = {one.casefold(): one for one in words}
    close = difflib.get_close_matches(word.casefold(), lowered, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{lowered[close[0]]}'?"
    return "known: " + ", ".join(words) if words else "none is known here"


def joined(words: Sequence[str]) -> str:
    """Return 'a, b or c'."""
    return ", ".join(words[:-1]) + " or " + words[-1] if len(words) > 1 else "".join(words)
