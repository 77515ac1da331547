"""Whether a scanner may carry what the procedure puts on the board, and whether its channel map is of this board.

An open contact stands between the point it serves and the one that another channel connects at that moment, so what
counts is the largest difference between any two of them, ground among them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from bringup.core.bench import Bench, ScannerRole
from bringup.core.board import Board
from bringup.core.design_values import sign_of
from bringup.core.finding import Finding
from bringup.core.hazard import highest_volts
from bringup.core.procedure import Apply, Procedure
from bringup.core.wording import shown


def examine_scanner(procedure: Procedure, bench: Bench) -> Iterator[Finding]:
    """Find points that the board does not have, and more volts than the scanner's rating."""
    if bench.scanner is None:
        return
    yield from _unknown(procedure.board, bench, bench.scanner)
    power = next((step for step in procedure.steps if isinstance(step.action, Apply)), None)
    low, high = _extremes(procedure, bench.scanner)
    apart = high[1] - low[1]
    if power is not None and apart > bench.scanner.rating:
        between = " and ".join(name for name, volts in (high, low) if volts) or high[0]
        where = f"between {between}" if low[1] and high[1] else f"at {between}, and a fault could put it on any rail"
        yield Finding(
            power.index,
            f"{shown(apart, 'V')} may stand across a contact of the scanner ({where}), which is rated for "
            f"{shown(bench.scanner.rating, 'V')}",
            "Take the points it cannot carry, and what they feed, off its `channels` in the bench file, or use one "
            "that can.",
            refused=True,
        )


def _extremes(procedure: Procedure, scanner: ScannerRole) -> tuple[tuple[str, float], tuple[str, float]]:
    """Return the lowest and highest volts, signed, that a mapped point may carry, each with what makes them.

    Stated AC adds its peak both ways: √2 times its RMS, a sine taken for granted.
    """
    board, volts = procedure.board, highest_volts(procedure)
    names = {name for name in scanner.channels if name in volts}
    names |= {source for name in names if (source := board.input_of(name)) is not None}
    ends = [("", 0.0, 0.0)]
    for name in sorted(names):
        steady, ac = sign_of(board, name) * volts[name], board.point(name).ac
        peak = 0.0 if ac is None else math.sqrt(2.0) * ac.number
        ends.append((name, steady - peak, steady + peak))
    pairs = [((low, least), (high, most)) for low, least, _ in ends for high, _, most in ends if low != high]
    return max(pairs, key=lambda pair: pair[1][1] - pair[0][1], default=(("", 0.0), ("", 0.0)))


def _unknown(board: Board, bench: Bench, scanner: ScannerRole) -> Iterator[Finding]:
    known = [point.name for point in board.points()]
    for name in scanner.channels:
        if name not in known:
            line, column = scanner.places.get(name, (scanner.line, scanner.column))
            yield Finding(
                None,
                f"{bench.path}:{line}:{column}: the scanner's channel map names {name!r}, which is no input or rail of "
                f"the board; it has {', '.join(known)}",
                "Correct the name in the bench file, or name the bench that is wired to this board.",
                refused=True,
            )
