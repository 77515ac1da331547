"""The text of a first board, procedure and bench file, from the nets that a person stated. Commented, to be edited.

Nothing is made up silently: what was assumed (how a rail is made, a current limit) says so in a comment beside it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import field
from datetime import date

from bringup.core.frozen import frozen
from bringup.core.harmless import harmless
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.files.bench_writing import quoted
from bringup.files.rail_list import Net

BY_ITSELF = re.compile(r"[A-Za-z0-9][A-Za-z0-9_]*")
WORDS_OF_YAML = ("yes", "no", "on", "off", "true", "false", "null", "y", "n")
DEFAULT_LIMIT = "100 mA"
"""Current limit at first power where nothing is known of what the board draws (common practice, no source)."""
SHORT_CHECK = "1 V"


@frozen
class FirstFiles:
    """What is written. `limits`: current limit of each input, as a data sheet writes it."""

    board: str
    revision: str
    serial_pattern: str
    nets: tuple[Net, ...]
    limits: Mapping[str, str]
    outputs: Mapping[str, int]
    board_file: str
    procedure_file: str
    bench_file: str
    stated_limit: bool = False
    """Whether a person stated the current limit."""
    written_on: date = date.min
    expected: Mapping[str, str] = field(default_factory=dict)
    """What an input should draw at its nominal voltage, where that follows from the nets."""

    @property
    def inputs(self) -> tuple[Net, ...]:
        """The nets that supplies feed."""
        return tuple(net for net in self.nets if not net.source)

    @property
    def rails(self) -> tuple[Net, ...]:
        """All others."""
        return tuple(net for net in self.nets if net.source)


def board_text(files: FirstFiles) -> str:
    """Return the board file."""
    return _text(_board(files))


def procedure_text(files: FirstFiles) -> str:
    """Return the procedure: first power-on, with every safety step."""
    return _text(_procedure(files))


def bench_text(files: FirstFiles) -> str:
    """Return the bench file: simulated, with a real one beside it as comments."""
    return _text(_bench(files))


def making_of(net: Net, nets: Mapping[str, Net]) -> tuple[str, bool]:
    """Return how a rail is made from its source ('' for a plain connection), and whether that was assumed."""
    if net.converter:
        return net.converter, False
    source = nets[net.source].volts.value
    if net.volts.value == source:
        return "", True
    if (net.volts.value < 0) != (source < 0):
        return "inverting", True
    if source < 0 and abs(net.volts.value) < abs(source):
        return "linear", True  # common practice, no source: switching converters for negative inputs are rare
    return ("boost" if abs(net.volts.value) > abs(source) else "buck"), True


def steps_of_voltage(net: Net) -> tuple[str, ...]:
    """Return the voltages at which an input is powered: its lowest working one, then the nominal one."""
    low = None if net.limits is None else net.limits.low
    nominal = format_quantity(net.volts.value, "V")
    if low is None or not 0 < low < net.volts.value:
        return (nominal,)
    return format_quantity(low, "V"), nominal


DAMAGED = 1.2
"""Times the highest working volts: an example of what damages, to be put right by who knows the parts."""


def _text(lines: Iterator[str]) -> str:
    return "".join(f"{each}\n" for each in lines)


def _board(files: FirstFiles) -> Iterator[str]:
    yield f"# Begun by `bringup new` on {files.written_on.isoformat()}. One description of the board, used for limits,"
    yield "# currents, simulation and causes; each fact buys more. Every key: bringup check --fields board --whole"
    yield f"board: {quoted(files.board)}"
    if files.revision:
        yield f"revision: {quoted(files.revision)}"
    if files.serial_pattern:
        yield f"serial: {quoted(files.serial_pattern)}  # the whole serial number must match"
    yield "inputs:"
    for first, net in _first_told(files.inputs):
        yield f"  {_name(net.name)}:"
        yield f"    voltage: {format_quantity(net.volts.value, 'V')}"
        if net.limits is None:
            yield "    # range: 18 V .. 30 V      # over which the board is to work; power goes to its low end first"
        else:
            yield f"    range: {_ends(net.limits)}"
        yield from _facts(net, "what damages it: it gives the level of the supply's own protection", explain=first)
    yield "rails:"
    nets = {net.name: net for net in files.nets}
    for first, net in _first_told(files.rails):
        yield f"  {_name(net.name)}:"
        yield f"    from: {_name(net.source)}"
        assert net.limits is not None, "a rail without limits is refused before"
        yield f"    expect: {net.limits.text}"
        yield from _converter(net, nets, explain=first)
        yield from _facts(net, "by magnitude: above it power is cut at once", explain=first)


def _first_told(nets: tuple[Net, ...]) -> Iterator[tuple[bool, Net]]:
    """Each net, and whether it is the first: only there what may still be stated is explained."""
    return ((place == 0, net) for place, net in enumerate(nets))


def _converter(net: Net, nets: Mapping[str, Net], *, explain: bool) -> Iterator[str]:
    kind, assumed = making_of(net, nets)
    if not kind:
        yield f"    # ASSUMED: a plain connection, since {harmless(net.source)} has the same voltage. Else:"
        yield "    # converter: {kind: linear}"
        return
    remark = "  # ASSUMED from the voltages: buck, boost, inverting or linear" if assumed else ""
    yield f"    converter: {{kind: {kind}}}{remark}"
    if kind != "linear" and explain:
        yield "    # With these the input current is known beforehand, and a wrong one is noticed at each voltage:"
        yield f"    # converter: {{kind: {kind}, starts_at: 4 V, efficiency: 88 %}}"


def _facts(net: Net, damage: str, *, explain: bool) -> Iterator[str]:
    if net.probe:
        yield f"    probe: {_name(net.probe)}"
    if net.load:
        yield f"    loads: {{consumers: {net.load}}}"
    if net.ground:
        yield f"    ground: {quoted(net.ground)}"
    if net.damage_above:
        yield f"    damage_above: {net.damage_above}"
    if not explain:
        return
    if not net.probe:
        yield "    # probe: TP1                  # where to touch it; without one its ohms are not needed for power"
    if not net.load:
        yield "    # loads: {controller: 25 mA}  # what hangs on it draws, typically"
    if not net.ground:
        yield "    # ground: '> 100 Ω'           # unpowered, to ground: state it from your first good board"
    if not net.damage_above:
        example = f"damage_above: {DAMAGED * _largest(net):.2g} V"
        yield f"    # {example:<26}  # {damage}"


def _procedure(files: FirstFiles) -> Iterator[str]:
    points = ", ".join(_name(net.name) for net in files.nets)
    yield f"# Begun by `bringup new` on {files.written_on.isoformat()}: from never-powered to known-good."
    yield "# Every key: bringup check --fields procedure --whole. What it would do: bringup preview"
    yield "procedure: First power-on"
    yield f"board: {quoted(files.board_file)}"
    yield "unattended: never"
    yield "steps:"
    yield "  - inspect:"
    yield "      title: Before power"
    yield "      confirm:"
    yield "        - Polarised parts match the silkscreen"
    yield "        - No bridges, no lifted pins, no parts missing that should be there"
    yield "        - Nothing else is plugged in, no debug or USB lead"
    yield "  # Supply leads off, nothing powered: volts first, then ohms to ground. A short shows here at no risk."
    yield f"  - resistance: [{points}]"
    for net in files.inputs:
        yield "  # Supply leads on nothing: polarity and voltage at their free ends, before they meet the board."
        yield f"  - leads: {_name(net.name)}"
    for net in files.inputs:
        then = ", ".join(steps_of_voltage(net))
        limit = files.limits[net.name]
        yield f"  # {SHORT_CHECK} first: all that a short meets. Then in one step to the lowest working voltage:"
        yield "  # converters draw most just above the voltage at which they start, so nothing rests there."
        remark = "" if files.stated_limit else "  # ASSUMED: the limit is the board's first line of defence"
        yield f"  - apply:{remark}"
        yield f"      input: {_name(net.name)}"
        yield f"      short_check: {SHORT_CHECK}"
        yield f"      then: [{then}]"
        yield f"      current_limit: {limit}"
        if net.name in files.expected:
            yield f"      expect_current: {files.expected[net.name]}  # at the last voltage: the loads ± 30 %, ± 5 mA"
        else:
            yield "      # Nothing judges the last voltage's current yet: state it from your first good board"
            yield "      # expect_current: 60 mA .. 110 mA"
    yield f"  - measure: [{points}]"
    currents = ", ".join(_name(f"{net.name} current") for net in files.inputs)
    yield "  # Three samples in a row outside an `expect` switch off. A supply read by hand: every: 2 s, or more."
    yield f"  - log: {{what: [{currents}], for: 5 s, every: 200 ms}}"
    yield "  - power_off: {discharged_below: 1 V}"


def _bench(files: FirstFiles) -> Iterator[str]:
    outputs = ", ".join(f"{_name(name)}: {output}" for name, output in files.outputs.items())
    volts = format_quantity(max(_highest(net) for net in files.inputs), "V")
    amps = max(files.limits.values(), key=_amps)
    ceiling = f"{{voltage: {volts}, current: {amps}}}"
    yield f"# Begun by `bringup new` on {files.written_on.isoformat()}. Everything simulated: no hardware is touched."
    yield f"bench: {quoted(f'Simulated bench for {files.board}'[:60])}"
    yield f"simulate: {{board: {quoted(files.board_file)}}}"
    yield "supply:"
    yield "  dialect: select-by-number"
    yield f"  outputs: {{{outputs}}}"
    yield "  # What no step may exceed on this bench, whatever a procedure says:"
    yield f"  ceiling: {ceiling}"
    yield "meter: {dialect: configure-and-read}"
    yield "probing: fixed wiring"
    yield ""
    yield "# Your real bench, to be put into a file of its own. `bringup bench --find --write corner-bench.yaml` finds"
    yield "# resource strings and dialects, and writes it; or take the marks away here and fill in your own:"
    yield "# bench: Corner bench"
    yield "# supply:"
    yield "#   resource: 'TCPIP0::192.0.2.10::5025::SOCKET'"
    yield "#   dialect: select-by-number"
    yield f"#   outputs: {{{outputs}}}"
    yield f"#   ceiling: {ceiling}"
    yield "# meter:"
    yield "#   resource: 'TCPIP0::192.0.2.11::5025::SOCKET'"
    yield "#   dialect: configure-and-read"
    yield "# probing: by hand"
    yield "# Instruments that speak to nobody: `supply: by hand`, `meter: by hand`, each or both."


def _highest(net: Net) -> float:
    high = None if net.limits is None else net.limits.high
    return float(high if high is not None else net.volts.value * 110 / 100)


def _largest(net: Net) -> float:
    ends = (net.volts.value,) if net.limits is None else (net.limits.low, net.limits.high, net.volts.value)
    return max(abs(float(each)) for each in ends if each is not None)


def _amps(text: str) -> float:
    from bringup.core.quantity import parse_quantity

    return parse_quantity(text, "A").number


def _ends(limits: Limits) -> str:
    assert limits.low is not None, "a range has two ends"
    assert limits.high is not None, "a range has two ends"
    return f"{format_quantity(limits.low, 'V')} .. {format_quantity(limits.high, 'V')}"


def _name(text: str) -> str:
    """Return a name as YAML reads it: bare where nothing in it means anything else."""
    plain = harmless(text)
    simple = BY_ITSELF.fullmatch(plain) and plain.casefold() not in WORDS_OF_YAML
    return plain if simple else quoted(plain)
