"""Stress margins: stated part ratings against the worst case of what drives them, and junctions against their limit.

The worst case of a rail is the furthest that its stated limits or its parts allow; of an input, the end of its range or
the most that the procedure applies. Dissipation is the most in any state at any voltage that the procedure or the
working range reaches. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator

from bringup.core.board import Board, Converter, Input, Rail, Rating
from bringup.core.design_limits import designed
from bringup.core.design_values import largest_amps, nominal_volts
from bringup.core.expectation import INPUT_BAND
from bringup.core.frozen import frozen
from bringup.core.limits import Limits
from bringup.core.procedure import Apply, Procedure
from bringup.core.solver import solve

DEFAULT_AMBIENT = 25.0
"""degC around the board where its file states none (common practice, no source)."""
DEFAULT_JUNCTION = 125.0
"""degC at which most regulators' ratings end (common practice, no source)."""


@frozen
class Margin:
    """One rating against what drives it, in `unit`, as magnitudes."""

    name: str
    unit: str
    rated: float
    nominal: float
    worst: float
    driver: str
    """What drives it, in words for people: '12V0 less N12V', 'VIN through 100 kΩ over 22 kΩ'."""

    @property
    def exceeded(self) -> bool:
        """Whether already the nominal value is beyond the rating."""
        return self.nominal > self.rated

    @property
    def exceeded_at_worst(self) -> bool:
        """Whether the worst case is beyond the rating."""
        return self.worst > self.rated

    @property
    def left(self) -> float:
        """What is left of the rating in the worst case, in % of it."""
        return 100.0 * (self.rated - self.worst) / self.rated


@frozen
class Junction:
    """What a converter loses, and how hot its junction gets by that: Ta + P * theta (degC)."""

    rail: str
    watts: float
    ambient: float
    hottest: float | None
    """None: the board file states no thermal resistance."""
    limit: float


def margins(procedure: Procedure) -> Iterator[Margin]:
    """Yield every stated rating with its worst case, in the order of the file."""
    board = procedure.board
    for rating in board.ratings:
        if rating.never_above.unit == "A":
            rail = board.rails[rating.driven_by]
            amps = largest_amps(board, rail)
            yield Margin(rating.name, "A", rating.never_above.number, amps, amps, f"all that {rail.name} may give")
        else:
            yield _volts(procedure, rating)


def junctions(procedure: Procedure) -> Iterator[Junction]:
    """Yield what each linear converter loses at most, and any converter whose thermal resistance is stated."""
    board = procedure.board
    lost = _most_lost(procedure)
    ambient = DEFAULT_AMBIENT if board.ambient is None else board.ambient.number
    for rail in board.rails.values():
        converter = rail.converter
        if converter is None or rail.name not in lost or not (converter.linear or converter.thermal_resistance):
            continue
        watts = lost[rail.name]
        hottest = None if converter.thermal_resistance is None else ambient + watts * converter.thermal_resistance
        yield Junction(rail.name, watts, ambient, hottest, junction_limit(converter))


def dropouts(board: Board) -> Iterator[tuple[str, str, float, float]]:
    """Yield linear rails that may fall out of regulation at worst: rail, source, its lowest volts, the volts needed."""
    for rail in board.rails.values():
        converter = rail.converter
        if converter is None or not converter.linear or converter.dropout is None or rail.source is None:
            continue
        source, own = furthest(board, rail.source, lowest=True), furthest(board, rail.name, lowest=False)
        if source is None or own is None:
            continue
        need = own + converter.dropout.number
        if source < need:
            yield rail.name, rail.source, source, need


def junction_limit(converter: Converter) -> float:
    """Return the highest junction temperature of a converter in degC."""
    return DEFAULT_JUNCTION if converter.max_junction is None else converter.max_junction.number


def furthest(board: Board, name: str, *, lowest: bool) -> float | None:
    """Return the lowest or highest magnitude that a point may have in order; None where the file does not say."""
    point = board.point(name)
    bounds = [_of_input(point)] if isinstance(point, Input) else _of_rail(board, point)
    ends = [sorted((abs(float(b.low)), abs(float(b.high)))) for b in bounds if b.low is not None and b.high is not None]
    if not ends:
        nominal = nominal_volts(board, name)
        return None if nominal is None else abs(nominal)
    return min(low for low, _ in ends) if lowest else max(high for _, high in ends)


def _of_input(point: Input) -> Limits:
    if point.working is not None:
        return point.working
    band = abs(point.voltage.value) * INPUT_BAND
    return Limits("V", point.voltage.value - band, point.voltage.value + band, point.voltage.value)


def _of_rail(board: Board, rail: Rail) -> list[Limits]:
    """What the file states and what the parts allow: the wider one is the worst case."""
    found = [] if rail.expect is None else [rail.expect]
    made = designed(board, rail.name)
    if made is not None:
        found.append(made.worst_case)
    elif not found and rail.converter is None and rail.source is not None and board.input_of(rail.name) is not None:
        source = board.point(rail.source)
        found += [_of_input(source)] if isinstance(source, Input) else _of_rail(board, source)
    return found


def _volts(procedure: Procedure, rating: Rating) -> Margin:
    board = procedure.board
    nominal, worst = _signed(board, rating.driven_by), _reached(procedure, rating.driven_by)
    driver = rating.driven_by
    if rating.down_to:
        other, reached = _signed(board, rating.down_to), _reached(procedure, rating.down_to)
        # Of the same sign they stand nearer together; the worst is the one alone, which comes up first or stays last.
        worst = max(worst, reached) if nominal * other > 0 else worst + reached
        nominal = nominal - other
        driver = f"{driver} less {rating.down_to}"
    if rating.upper is not None and rating.lower is not None:
        upper, lower = _three(rating.upper), _three(rating.lower)
        nominal *= lower[1] / (upper[1] + lower[1])
        worst *= lower[2] / (upper[0] + lower[2])
        driver = f"{driver} through {_text(rating.upper)} over {_text(rating.lower)}"
    return Margin(rating.name, "V", rating.never_above.number, abs(nominal), worst, driver)


def _signed(board: Board, name: str) -> float:
    return nominal_volts(board, name) or 0.0


def _reached(procedure: Procedure, name: str) -> float:
    """The highest magnitude that a point may have: by the board file, or by what the procedure applies to an input."""
    most = furthest(procedure.board, name, lowest=False) or 0.0
    applied = (
        abs(volts.number)
        for step in procedure.steps
        if isinstance(step.action, Apply) and step.action.input == name
        for volts in step.action.then
    )
    return max((most, *applied))


def _most_lost(procedure: Procedure) -> dict[str, float]:
    """The most watts lost in each converter: in the procedure, and over the working range in every board state."""
    from bringup.core.dangers import lost_in_converters

    board = procedure.board
    worst = dict(lost_in_converters(procedure))
    for end in (True, False):
        volts = {name: _end(point, lowest=end) for name, point in board.inputs.items()}
        for state in board.states or (None,):
            for name, watts in solve(board, volts, state=state).losses.items():
                worst[name] = max(worst.get(name, 0.0), watts)
    return worst


def _end(point: Input, *, lowest: bool) -> float:
    bounds = _of_input(point)
    end = bounds.low if lowest else bounds.high
    return point.voltage.number if end is None else float(end)


def _three(part: Limits) -> tuple[float, float, float]:
    low, nominal, high = (float(end) if end is not None else 0.0 for end in (part.low, part.nominal, part.high))
    return low, nominal, high


def _text(part: Limits) -> str:
    return part.text or str(part)
