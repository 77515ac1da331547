"""What a sweep has found, and the figures it comes to: each kept as a reading with its formula, judged where asked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from bringup.core.expectation import voltage_limits
from bringup.core.limits import Limits
from bringup.core.reading import Reading
from bringup.core.replies import Value
from bringup.core.statistics_of_log import last_digit
from bringup.core.sweep_figures import (
    DROPOUT,
    IN_PERCENT,
    LINE,
    LOAD,
    STARTS,
    STOPS,
    Figure,
    dropout,
    line_regulation,
    load_regulation,
    starts_at,
    stops_at,
)
from bringup.core.uncertainty import propagated
from bringup.core.under_load import Sweep
from bringup.core.words import How, Kind, LimitsFrom, Result
from bringup.runner.work import Judged, Work

DIGITS = 3
"""Digits of a figure where nobody knows those of what it was worked out from."""


class Points:
    """The points of one sweep, as they came. A rail without a value at a point has no point there."""

    def __init__(self, sweep: Sweep) -> None:
        self._sweep = sweep
        self._all: dict[str, list[tuple[float, float]]] = {rail: [] for rail in sweep.rails}
        self._regulated: dict[str, list[tuple[float, float]]] = {rail: [] for rail in sweep.rails}
        self._resolution: dict[str, float] = {}
        self._latest: dict[str, float | None] = {}
        self._standard: dict[tuple[str, float], float | None] = {}
        self.counted = dict.fromkeys(sweep.rails, 0)

    def take(self, rail: str, set_to: float, kept: Reading, *, in_regulation: bool) -> None:
        """Take what a rail read at a point (V or A)."""
        self._latest[rail] = kept.value
        self.counted[rail] += 1
        if kept.value is None:
            return
        self._all[rail].append((set_to, kept.value))
        if in_regulation:
            self._regulated[rail].append((set_to, kept.value))
        self._resolution[rail] = max(self._resolution.get(rail, 0.0), kept.resolution or 0.0)
        standard = None
        if kept.uncertainty is not None and kept.coverage_factor:
            standard = kept.uncertainty / kept.coverage_factor
        self._standard[rail, set_to] = standard

    def how_sure(self, rail: str, figure: Figure) -> float | None:
        """Return the standard uncertainty of a figure, its readings taken as independent; None where it is not known.

        Two readings of one meter share most of their error: of a difference that is too much rather than too little.
        """
        standards = [self._standard.get((rail, set_to)) for set_to, _ in figure.used]
        known = [each for each in standards if each is not None]
        if figure.of is None or not known or len(known) < len(standards):
            return None
        return propagated(figure.of, [volts for _, volts in figure.used], known)

    def latest(self, rail: str) -> float | None:
        """Return what it read at the last point; None where it was not read, or had no value."""
        return self._latest.get(rail)

    def all(self, rail: str) -> list[tuple[float, float]]:
        """Return every point with a value."""
        return self._all[rail]

    def regulated(self, rail: str) -> list[tuple[float, float]]:
        """Return the points at which it was judged, and not found wrong."""
        return self._regulated[rail]

    def resolution(self, rail: str) -> float | None:
        """Return the weight of the last digit of its volts; None if unknown."""
        return self._resolution.get(rail) or None


def figure_limits(sweep: Sweep, figure: str, rail: str) -> tuple[Limits | None, LimitsFrom]:
    """Return what the step states for a figure of that rail."""
    stated = sweep.judging.get(figure, {})
    limits = stated.get(rail, stated.get(""))
    return limits, LimitsFrom.NONE if limits is None else LimitsFrom.PROCEDURE


def percent(value: float | None, *factors: Value) -> float | None:
    """Return the weight of the last digit of a ratio, from the worst of what it was worked out from."""
    if value is None:
        return None
    parts = [each.resolution / abs(each.number) for each in factors if each.resolution and each.number]
    return last_digit(abs(value) * max(parts), 1) if parts and value else last_digit(value, DIGITS)


def sum_up(work: Work, sweep: Sweep, found: Points) -> None:
    """Keep every figure of every rail."""
    for rail in sweep.rails:
        for name, figure in _figures(work, sweep, found, rail):
            _keep(work, sweep, found, rail, name, figure)


def _keep(work: Work, sweep: Sweep, found: Points, rail: str, name: str, figure: Figure) -> None:
    limits, origin = figure_limits(sweep, name, rail)
    early = found.counted[rail] < len(sweep.points)
    if figure.value is None and limits is None:
        return
    if early:
        figure = Figure(None, why="the sweep ended before its last point")
    kind = Kind.RATIO if name in IN_PERCENT else Kind.VOLTAGE
    value = Value(figure.value, figure.note, _digit(sweep, found, rail, name, figure), why=figure.why)
    value = replace(value, standard=found.how_sure(rail, figure))
    result, note = None, figure.note
    if figure.bound and limits is not None and figure.value is not None and not limits.accepts(figure.value):
        result = Result.NOT_JUDGED
        work.tally.missing.append(f"{rail} {name}: {note}; sweep further down")
    judged = Judged(limits, origin, result, note=figure.why or note)
    work.keep(rail, kind, value, judged, how=How.DERIVED, aspect=name)


def _digit(sweep: Sweep, found: Points, rail: str, name: str, figure: Figure) -> float | None:
    """Volts at which something happens are known to the step of the sweep, ratios to the digits of the rail's volts."""
    resolution = found.resolution(rail)
    if figure.value is None:
        return None
    if name in (STARTS, STOPS):
        return last_digit(abs(sweep.points[1].number - sweep.points[0].number), 1)
    if name == DROPOUT:
        return resolution
    volts = max((abs(volts) for _, volts in found.all(rail)), default=0.0)
    if resolution is None or not volts:
        return last_digit(figure.value, DIGITS)
    return last_digit(100.0 * resolution / volts, 1)


def _figures(work: Work, sweep: Sweep, found: Points, rail: str) -> Iterator[tuple[str, Figure]]:
    nominal = _nominal(work, rail)
    every, regulated = found.all(rail), found.regulated(rail)
    if sweep.load:
        full = regulated[0][1] if regulated and nominal is None else nominal
        yield (
            LOAD,
            Figure(None, why="it has no volts") if full is None else load_regulation(regulated, full, sweep.formula),
        )
        return
    input_volts = abs(work.board.inputs[sweep.input].voltage.number)
    if nominal is None:
        nominal = min(every, key=lambda point: abs(point[0] - input_volts))[1] if every else None
    if nominal is None:
        return
    yield LINE, line_regulation(regulated, input_volts, nominal, sweep.formula)
    if DROPOUT in sweep.judging:
        yield DROPOUT, dropout(every)
    if sweep.looks_for == "start":
        yield STARTS, starts_at(every, nominal)
    if sweep.looks_for == "stop":
        yield STOPS, stops_at(every, nominal)


def _nominal(work: Work, rail: str) -> float | None:
    limits, _ = voltage_limits(work.board, rail)
    if limits is None:
        return None
    if limits.nominal is not None:
        return float(limits.nominal)
    return None if limits.low is None or limits.high is None else float(limits.low + limits.high) / 2
