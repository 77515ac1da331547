"""Voltages of a board file against each other: damage_above, converters and what feeds them, feedback networks."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from bringup.core.board import Across, ConverterKind
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.files.nodes import Pairs, Problems
from bringup.files.sections import Values

HIGHEST_INPUT = Decimal(120)
"""Volts DC: the upper end of extra-low voltage (IEC 61140). What is beyond is out of scope, as is the mains."""

SWITCHING = (ConverterKind.BUCK, ConverterKind.BOOST, ConverterKind.INVERTING)
NETWORK = ("reference", "upper", "lower")


class Tree:
    """The points of a board as far as they could be read, and the voltages that follow from single facts."""

    def __init__(self, values: Values) -> None:
        self.inputs = dict(values.sections("inputs"))
        self.rails = dict(values.sections("rails"))
        self.named = list(_named(values))
        """Every name in the file, also of points that could not be read."""

    def points(self) -> Iterator[tuple[str, Values]]:
        """Every input, then every rail."""
        yield from self.inputs.items()
        yield from self.rails.items()

    def nominal(self, name: str) -> Decimal | None:
        """Return the nominal volts of a point, None where the file does not say."""
        seen: set[str] = set()
        while name not in seen:
            seen.add(name)
            if name in self.inputs:
                voltage = self.inputs[name].get("voltage")
                return None if voltage is None else Decimal(voltage.value)
            rail = self.rails.get(name)
            if rail is None:
                return None
            stated = middle(rail.get("expect"))
            own = self.made(name) if stated is None else stated
            if own is not None or "converter" in rail:
                return own
            name = rail.get("from", "")
        return None

    def made(self, name: str) -> Decimal | None:
        """Return what a rail's network or fixed output makes, signed; None if not all is stated."""
        volts = network_volts(self.rails[name])
        return None if volts is None else volts * self.sign(name)

    def sign(self, name: str) -> int:
        """Return 1 or -1: the stated sign of a point, else its source's, turned over by an inverting converter."""
        turned, seen = 1, set[str]()
        while name in self.rails and name not in seen:
            seen.add(name)
            rail = self.rails[name]
            if stated := middle(rail.get("expect")):
                return -turned if stated < 0 else turned
            converter = rail.section_in("converter")
            if converter is not None and converter.get("kind") == ConverterKind.INVERTING:
                turned = -turned
            name = rail.get("from", "")
        return turned

    def lowest(self, name: str) -> Decimal | None:
        """Return the lowest working magnitude of a point: the low end of an input's range, else its nominal."""
        if name in self.inputs and (working := self.inputs[name].get("range")) is not None:
            low: Decimal | None = working.low
            return low
        nominal = self.nominal(name)
        return None if nominal is None else abs(nominal)


def _named(values: Values) -> Iterator[str]:
    for field in ("inputs", "rails"):
        node = values.node.get(field) if isinstance(values.node, Pairs) else None
        if isinstance(node, Pairs):
            yield from (key.text for key, _ in node.pairs)


def middle(limits: Limits | None) -> Decimal | None:
    """Return the nominal value of limits, or the middle of a range; None where one end is open."""
    if limits is None:
        return None
    if limits.nominal is None and limits.low is not None and limits.high is not None:
        return (limits.low + limits.high) / 2
    return limits.nominal


def furthest(limits: Limits | None) -> Decimal:
    """Return the largest magnitude that limits name, 0 for none."""
    if limits is None:
        return Decimal(0)
    return max((abs(end) for end in (limits.low, limits.high, limits.nominal) if end is not None), default=Decimal(0))


def network_volts(rail: Values) -> Decimal | None:
    """Return the magnitude of what network or fixed output make; None if not all is stated."""
    converter = rail.section_in("converter")
    if converter is None:
        return None
    if all(part in converter for part in NETWORK):
        reference, upper, lower = (Decimal(converter.get(part).nominal) for part in NETWORK)
        far, near = (lower, upper) if converter.get("reference_across") == Across.UPPER else (upper, lower)
        volts = abs(reference) * (1 + far / near) + (middle(converter.get("feedback_current")) or 0) * far
    elif "output" in converter:
        volts = abs(Decimal(converter.get("output").nominal))
    else:
        return None
    return volts


def volts(value: Decimal) -> str:
    """Write volts for a message."""
    return format_quantity(value, "V")


def check_voltages(tree: Tree, problems: Problems) -> None:
    """Report what cannot be: limits beyond damage, a buck that steps up, a reference above its output."""
    for name, one in tree.inputs.items():
        _check_input(name, one, problems)
    for name, rail in tree.rails.items():
        _check_damage(name, rail, tree.nominal(name), problems)
        _check_collapse(name, rail, tree.nominal(name), problems)
        _check_stated(name, rail, tree, problems)
        if (converter := rail.section_in("converter")) is not None:
            _check_network(name, rail, converter, problems)
            _check_kind(name, rail, converter, tree, problems)
            _check_start(rail, converter, tree, problems)


def _check_input(name: str, one: Values, problems: Problems) -> None:
    voltage, working = one.get("voltage"), one.get("range")
    if voltage is not None and max(voltage.value, furthest(working)) > HIGHEST_INPUT:
        message = f"{name} takes more than {volts(HIGHEST_INPUT)} DC: beyond extra-low voltage"
        problems.add(one.at("voltage"), message, "such circuits, and any connected to the mains, are out of scope")
    if voltage is not None and working is not None and not working.accepts(voltage.value):
        problems.add(one.at("range"), f"the range of {name} does not hold its own voltage of {voltage}")
    if working is not None and (working.low is None or working.high is None or working.low <= 0):
        problems.add(one.at("range"), "a range has two ends above zero", "such as 18 V .. 30 V")
    _check_damage(name, one, None if voltage is None else Decimal(voltage.value), problems)


def _check_damage(name: str, point: Values, nominal: Decimal | None, problems: Problems) -> None:
    damage = point.get("damage_above")
    if damage is None:
        return
    reached = max(furthest(point.get("expect")), furthest(point.get("range")), abs(nominal or Decimal(0)))
    if damage.value <= reached:
        message = f"damage_above of {name} lies within what it is meant to reach ({volts(reached)} by magnitude)"
        problems.add(point.at("damage_above"), message)


def _check_collapse(name: str, rail: Values, nominal: Decimal | None, problems: Problems) -> None:
    collapse, expected = rail.get("collapse_below"), rail.get("expect")
    ends = [abs(end) for end in (expected.low, expected.high) if end is not None] if expected is not None else []
    least = min(ends) if ends else abs(nominal) if nominal is not None else None
    if collapse is not None and least is not None and collapse.value >= least:
        message = f"collapse_below of {name} lies within what it is meant to read (from {volts(least)} by magnitude)"
        problems.add(rail.at("collapse_below"), message, "a sound rail must never come near it")


def _check_stated(name: str, rail: Values, tree: Tree, problems: Problems) -> None:
    """A rail's voltage must follow from something, and what it follows from must agree."""
    if {"expect", "converter", "from"} & rail.wrong:
        return
    if "expect" not in rail and "converter" not in rail and "from" not in rail:
        problems.add(rail.node, f"nothing says what {name} should read", "state `expect`, such as 3.3 V ± 2 %")
    converter = rail.section_in("converter")
    if converter is None or set(NETWORK) & converter.wrong:
        return
    computed, expected = tree.made(name), rail.get("expect")
    if computed is None and middle(expected) is None:
        message = f"nothing says what the converter of {name} makes"
        way_out = "state reference, upper and lower, or `output`, or `expect` with two ends"
        problems.add(rail.at("converter"), message, way_out)
    if computed is not None and expected is not None and not expected.accepts(computed):
        by = "fixed output" if "output" in converter else "feedback network"
        message = f"the {by} of {name} makes {volts(computed)}, which its `expect` does not accept"
        problems.add(rail.at("expect"), message)
    if "from" not in rail:
        problems.add(rail.at("converter"), f"{name} has a converter but no `from`", "say which input or rail feeds it")


def _check_network(name: str, rail: Values, converter: Values, problems: Problems) -> None:
    present = [part for part in NETWORK if part in converter or part in converter.wrong]
    if present and len(present) < len(NETWORK):
        missing = ", ".join(part for part in NETWORK if part not in present)
        problems.add(converter.at(present[0]), f"the feedback network of {name} lacks {missing}")
    if present and "output" in converter:
        message = f"{name} has both a feedback network and a fixed `output`"
        problems.add(converter.at("output"), message, "leave out what the part does not have")
    _check_beside(converter, present, problems)
    reference, expected = converter.get("reference"), middle(rail.get("expect"))
    if reference is not None and expected is not None and abs(reference.nominal) > abs(expected):
        message = f"the reference of {volts(reference.nominal)} lies above what {name} reads ({volts(abs(expected))})"
        problems.add(converter.at("reference"), message)


def _check_beside(converter: Values, present: list[str], problems: Problems) -> None:
    """What is said of a feedback network needs one; a current needs two ends."""
    for field in ("reference_across", "feedback_current"):
        if field in converter and not present:
            message = f"`{field}` without a feedback network"
            problems.add(converter.at(field), message, "state reference, upper and lower")
    current = converter.get("feedback_current")
    if current is not None and middle(current) is None:
        message = f"'{current.text}' leaves one end of the feedback current open"
        problems.add(converter.at("feedback_current"), message, "state both: 0 A .. 100 nA, or 50 uA +100 % -0 %")


def _check_kind(name: str, rail: Values, converter: Values, tree: Tree, problems: Problems) -> None:
    kind, out, source = converter.get("kind"), tree.nominal(name), rail.get("from", "")
    if kind is None:
        return
    fed, lowest = tree.nominal(source), tree.lowest(source)
    at = converter.at("kind")
    below = tree.sign(source) < 0
    if out is not None and (kind == ConverterKind.INVERTING) != ((out < 0) != below):
        by = f" from {source}, a negative rail" if below else ""
        problems.add(at, f"{name} reads {volts(out)}, which no {kind} converter makes{by}")
    elif out is not None and fed is not None and lowest is not None:
        if kind == ConverterKind.BOOST and abs(out) < abs(fed):
            problems.add(at, f"a boost converter cannot make {volts(out)} from {volts(fed)}")
        dropout = converter.get("dropout")
        drop = Decimal(0) if dropout is None else Decimal(dropout.value)
        if kind in (ConverterKind.BUCK, ConverterKind.LINEAR) and abs(out) + drop > lowest:
            over = f" and {volts(drop)} of dropout" if drop else ""
            beyond = "beyond" if below else "above"
            problems.add(
                at, f"{name} ({volts(out)}{over}) lies {beyond} the {volts(lowest)} that {source} may come down to"
            )
    if kind not in SWITCHING and "efficiency" in converter:
        problems.add(converter.at("efficiency"), "a linear regulator has no efficiency of its own", "leave it out")
    if kind in SWITCHING and "dropout" in converter:
        problems.add(converter.at("dropout"), f"dropout belongs to linear regulators, not to a {kind} converter")
    if (efficiency := converter.get("efficiency")) is not None and efficiency.value > 100:  # noqa: PLR2004 - percent
        problems.add(converter.at("efficiency"), f"an efficiency of {efficiency.text} is more than 100 %")


def _check_start(rail: Values, converter: Values, tree: Tree, problems: Problems) -> None:
    starts, stops, source = converter.get("starts_at"), converter.get("stops_at"), rail.get("from", "")
    lowest = tree.lowest(source)
    if starts is not None and lowest is not None and starts.value > lowest:
        message = f"it starts at {starts} only, above the {volts(lowest)} at which {source} is still meant to work"
        problems.add(converter.at("starts_at"), message)
    if stops is not None and starts is not None and stops.value > starts.value:
        problems.add(converter.at("stops_at"), f"it stops at {stops}, above where it starts ({starts})")
