"""Netlists of boards for ngspice, written from the board's records alone: nothing of the solver is used here.

Every converter is a controlled current into its output. Feedback is made of resistors: an amplifier compares the
reference with what the divider gives, and a fault opens, shorts or replaces a resistor. What a converter takes from
its input, how loads fade and what happens without headroom is what the files' words mean to the tool (efficiency,
dropout, current limit, minimum load), written down a second time. Nodes carry signed volts; `m(...)` is a magnitude.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Sequence
from pathlib import Path

from bringup.core.board import Across, Board, Converter, ConverterKind, Load, LoadKind, Rail
from bringup.core.faults import Fault, FaultKind
from bringup.core.limits import Limits
from bringup.core.quantity import Quantity

OPTIONS = ".options method=gear"
"""Not the trapezium rule, which rings where a board is stiff: at an input without resistance."""
OPEN, WIRE = 1e12, 1e-3
GAIN = 200
"""Amperes of a converter for each volt of error at its feedback."""
PAST = 1e4
"""Siemens of the diode of a boost, above its 0.4 V."""
HEAD = 300
"""Siemens between an output and what bounds it."""
FARADS = 100e-6
"""At every node, so that the board can rise; what it comes to does not depend on it."""
RISE, END = "1m", "45m"
"""Seconds over which the inputs rise, and after which the board is taken to stand: 20 mA take 28 ms to 2.8 V."""


def middle(limits: Limits) -> float:
    """The value between the ends, or the one that the text names first."""
    if limits.nominal is not None:
        return float(limits.nominal)
    assert limits.low is not None
    assert limits.high is not None
    return float(limits.low + limits.high) / 2


def number(quantity: Quantity | None, default: float) -> float:
    return default if quantity is None else quantity.number


class Netlist:
    """One board with its faults; `text()` is what ngspice reads."""

    def __init__(self, board: Board, faults: Sequence[Fault] = ()) -> None:
        self.board, self.faults = board, faults
        self.lines: list[str] = ["Vone one 0 dc 1"]
        for name, each in board.inputs.items():
            self.add(f"V{node(name)} {node(name)}_s 0 pwl(0 0 {RISE} {each.voltage.number:g})")
            self.add(f"Vi{node(name)} {node(name)}_s {node(name)} dc 0")
        for rail in board.rails.values():
            if rail.converter is None:
                self.add(f"R{node(rail.name)} {node(rail.source or '')} {node(rail.name)} {WIRE / 1e3}")
            else:
                self.converter(rail, rail.converter)
        for point in board.points():
            self.loads(point.name, point.loads)

    def add(self, line: str) -> None:
        self.lines.append(line)

    def kinds(self, name: str) -> dict[FaultKind, Fault]:
        return {fault.kind: fault for fault in self.faults if fault.point == name}

    def designed(self, name: str) -> float:
        """Volts that a point is to have, as a magnitude."""
        if name in self.board.inputs:
            return abs(self.board.inputs[name].voltage.number)
        rail = self.board.rails[name]
        made = rail.converter
        if made is not None and made.reference is not None and made.upper is not None and made.lower is not None:
            reference, upper, lower = (abs(middle(each)) for each in (made.reference, made.upper, made.lower))
            far, near = (upper, lower) if made.reference_across is Across.LOWER else (lower, upper)
            current = 0.0 if made.feedback_current is None else middle(made.feedback_current)
            return reference + far * (reference / near + current)
        if rail.expect is not None:
            return abs(middle(rail.expect))
        return self.designed(rail.source or "")

    def largest(self, rail: Rail) -> float:
        """Amperes that a rail may have to give."""
        volts = self.designed(rail.name)
        total = 0.0
        for load in rail.loads:
            values = [load.default, *load.by_state.values()]
            if load.kind is LoadKind.RESISTANCE:
                total += volts / min(values)
            else:
                total += max(values) / (volts if load.kind is LoadKind.POWER else 1.0)
        for child in self.board.rails.values():
            if child.source == rail.name:
                amps = self.largest(child)
                if child.converter is not None and child.converter.kind is not ConverterKind.LINEAR:
                    amps *= self.designed(child.name) / volts / (number(child.converter.efficiency, 85.0) / 100)
                total += amps
        return total

    def size(self, name: str) -> str:
        """The magnitude of a point's volts, as an expression."""
        return f"({'-' if self.sign(name) < 0 else ''}v({node(name)}))"

    def sign(self, name: str) -> int:
        if name in self.board.inputs:
            return 1
        rail = self.board.rails[name]
        inverts = rail.converter is not None and rail.converter.kind is ConverterKind.INVERTING
        return -self.sign(rail.source or "") if inverts else self.sign(rail.source or "")

    def converter(self, rail: Rail, made: Converter) -> None:
        name, kinds, designed = node(rail.name), self.kinds(rail.name), self.designed(rail.name)
        source = node(rail.source or "")
        minus = "-" if self.sign(rail.name) < 0 else ""
        vin, inner, out = self.size(rail.source or ""), f"({minus}v({name}_x))", self.size(rail.name)
        if FaultKind.PASSES_INPUT in kinds:
            # Nothing regulates: the rail hangs on its source by what the output's resistance leaves.
            self.add(f"R{name}_p {source} {name} {max(number(made.output_resistance, 0.0), WIRE)}")
            ends = (f"{source} 0", f"0 {source}")[self.sign(rail.source or "") < 0]
            self.add(f"I{name}_p {ends} dc {number(made.quiescent, 0.0)}")
            self.add(f"C{name} {name} 0 {FARADS}")
            return
        linear = made.kind is ConverterKind.LINEAR
        start = self.start(rail, made)
        stop = number(made.stops_at, 0.9 * start)
        # The reference rises softly where there is a start: with no load nothing would take an overshoot away again.
        soft = f"*v({name}_t)" if start and FaultKind.NOT_FITTED not in kinds else ""
        error = self.feedback(rail, made, inner, soft)
        least = number(made.minimum_load, 0.0)
        ohms = number(made.output_resistance, 0.0)
        given = f"max(0,{minus}i(V{name}_o))"
        if least:
            light = f"0.06*min(1,max(0,(1-{given}/{least})/0.2))"
            error = f"({error}+{self.reference(rail, made)}*{light})"
        if made.kind in (ConverterKind.BUCK, ConverterKind.LINEAR):
            top = f"({vin}-{number(made.dropout, 0.3 if linear else 0.0)})"
        else:
            top = f"{2 * designed}"
        limit = made.current_limit.number if made.current_limit is not None else max(1.0, 3 * self.largest(rail))
        fitted = 0 if FaultKind.NOT_FITTED in kinds else 1
        runs = str(fitted)
        if start and fitted:
            self.add(f"B{name}_c {name}_c 0 V={vin}")
            self.add(f"S{name} one {name}_r {name}_c 0 uvlo_{name} off")
            self.add(f".model uvlo_{name} sw vt={(start + stop) / 2} vh={(start - stop) / 2} ron=1 roff=1e12")
            self.add(f"R{name}_r {name}_r 0 1e5")
            self.add(f"R{name}_t {name}_r {name}_t 1k")
            self.add(f"C{name}_t {name}_t 0 0.3u")
            runs = f"v({name}_r)"
        amps = f"{runs}*max(0,min({limit},min({GAIN}*{error},{HEAD}*({top}-{inner}))))"
        if made.kind is ConverterKind.BOOST:
            # Its diode lies between input and output, whatever the rest does.
            past = f"max(0,{PAST}*({vin}-0.4-{out}))"
            self.add(f"B{name}_d {source} {name} I={past}")
        sign = self.sign(rail.name)
        ends = (f"0 {name}_x", f"{name}_x 0")[sign < 0]
        self.add(f"B{name}_o {ends} I={amps}")
        self.add(f"V{name}_o {name}_x {name}{'_q' if ohms else ''} dc 0")
        if ohms:
            self.add(f"R{name}_o {name}_q {name} {ohms}")
            self.add(f"C{name}_x {name}_x 0 {FARADS}")
        self.add(f"C{name} {name} 0 {FARADS}")
        floor = max(stop, 0.5)
        own = f"{runs}*{number(made.quiescent, 0.0)}*min(1,max(0,{vin}/{floor}))"
        if linear:
            drawn = f"{given}+{own}"
        else:
            lost = 1 / (number(made.efficiency, 85.0) / 100) - 1
            drawn = f"{runs}*({given}*({out}+{lost}*max({out},{designed / 2}))/max({vin},{floor}))+{own}"
        ends = (f"{source} 0", f"0 {source}")[self.sign(rail.source or "") < 0]
        self.add(f"B{name}_i {ends} I={drawn}")

    def start(self, rail: Rail, made: Converter) -> float:
        if made.starts_at is not None:
            return abs(made.starts_at.number)
        if made.kind is ConverterKind.LINEAR:
            return 0.0
        least = max(2.5, self.designed(rail.name)) if made.kind is ConverterKind.BUCK else 2.5
        return min(least, 0.8 * self.designed(rail.source or ""))

    def reference(self, rail: Rail, made: Converter) -> float:
        other = self.kinds(rail.name).get(FaultKind.OTHER_PART)
        if other is not None and other.value is not None:
            return other.value
        has_network = made.reference is not None and made.upper is not None and made.lower is not None
        return abs(middle(made.reference)) if has_network and made.reference is not None else self.designed(rail.name)

    def feedback(self, rail: Rail, made: Converter, inner: str, soft: str) -> str:
        """Write the divider, and return how far the reference is above what it gives."""
        name, kinds, reference = node(rail.name), self.kinds(rail.name), self.reference(rail, made)
        if made.reference is None or made.upper is None or made.lower is None:
            return f"({reference}{soft}-{inner})"
        self.add(f"B{name}_b {name}_b 0 V={inner}")
        upper, lower = made.upper, made.lower
        if FaultKind.SWAPPED in kinds:
            upper, lower = lower, upper
        for part, limits, ends in (("upper", upper, f"{name}_b {name}_f"), ("lower", lower, f"{name}_f 0")):
            ohms = middle(limits)
            if FaultKind(f"{part}_open") in kinds:
                ohms = OPEN
            elif FaultKind(f"{part}_shorted") in kinds:
                ohms = WIRE
            elif FaultKind(f"{part}_value") in kinds:
                ohms = kinds[FaultKind(f"{part}_value")].value or WIRE
            self.add(f"R{name}_{part} {ends} {ohms}")
        across_lower = made.reference_across is Across.LOWER
        if made.feedback_current is not None:
            ends = f"{name}_f 0" if across_lower else f"0 {name}_f"
            self.add(f"I{name}_f {ends} dc {middle(made.feedback_current)}")
        return f"({reference}{soft}-v({name}_f))" if across_lower else f"({reference}{soft}-v({name}_b,{name}_f))"

    def loads(self, name: str, loads: Sequence[Load]) -> None:
        here, volts = node(name), f"max(0,{self.size(name)})"
        ends = (f"{here} 0", f"0 {here}")[self.sign(name) < 0]
        designed = self.designed(name)
        for place, load in enumerate(loads):
            each, value = f"{here}_{place}", load.value(None)
            if load.kind is LoadKind.RESISTANCE:
                self.add(f"R{each} {here} 0 {value}")
            elif load.kind is LoadKind.CURRENT:
                self.add(f"B{each} {ends} I={value}*min(1,({volts}/{designed / 4})^2)")
            else:
                knee = designed / 2
                self.add(f"B{each} {ends} I={value}/max({volts},{knee})*min(1,({volts}/{knee})^2)")
        for kind, fault in self.kinds(name).items():
            if kind is FaultKind.SHORTED_THROUGH:
                self.add(f"R{here}_short {here} 0 {fault.value}")
            elif kind is FaultKind.EXCESS_LOAD:
                self.add(f"B{here}_more {ends} I={fault.value}*min(1,({volts}/{designed / 4})^2)")
            elif kind is FaultKind.BACK_FED:
                self.add(f"B{here}_fed {ends} I=-max(0,{fault.value}-{volts})/100")

    def text(self, title: str) -> str:
        """The netlist as a file of its own."""
        return "\n".join([f"* {title}", OPTIONS, *self.lines, ".end", ""])


def node(name: str) -> str:
    """Names there know no case and few signs."""
    return "n" + re.sub(r"\W", "_", name.lower())


def operating_points(cases: Sequence[tuple[str, Netlist]], folder: Path) -> list[dict[str, float]]:
    """Let one ngspice process solve all cases; return node and input currents of each, in order."""
    script = ["* operating points", ".control", "set noaskquit", "set numdgt=10"]
    for place, (title, netlist) in enumerate(cases):
        (folder / f"case{place}.cir").write_text(netlist.text(title))
        points = [f"v({node(point.name)})" for point in netlist.board.points()]
        points += [f"i(Vi{node(name)})" for name in netlist.board.inputs]
        script += [f"echo CASE {place}", f"source {folder / f'case{place}.cir'}", f"tran 0.1m {END} uic"]
        script += [f"print {point}[length({point})-1]" for point in points]
        script += ["destroy all", "remcirc"]
    script += ["quit", ".endc", ".end", ""]
    (folder / "all.cir").write_text("\n".join(script))
    done = subprocess.run(
        ["ngspice", "-b", str(folder / "all.cir")], capture_output=True, text=True, timeout=120, check=False
    )
    found: list[dict[str, float]] = []
    for block in done.stdout.split("CASE ")[1:]:
        values = re.findall(r"^([vi]\(\w+\))\S* = (\S+)$", block, re.MULTILINE)
        found.append({name.lower(): float(value) for name, value in values})
    return found
