"""A board small enough to compute by hand, built from records, and short ways to write procedures for it.

VIN 24 V (2.4 kohm, 200 uF) feeds 12V0 (buck, 80 %, 60 mA, 100 uF); 12V0 feeds 5V0 (linear, 20 mA, 10 uF) and
N12V (inverting, 75 %, 15 mA, 20 uF). At 24 V, by hand:
  N12V draws 12 * 0.015 / (0.75 * 12) = 20 mA from 12V0; 5V0 draws 20 mA; with its own 60 mA 12V0 gives 100 mA
  VIN gives 12 * 0.1 / (0.8 * 24) = 62.5 mA for that, and 24 / 2400 = 10 mA itself: 72.5 mA
At 18 V: 12 * 0.1 / (0.8 * 18) = 83.333 mA, and 18 / 2400 = 7.5 mA: 90.833 mA.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from bringup.core.bench import Bench, Ceiling, MeterRole, SupplyRole
from bringup.core.board import Board, Converter, ConverterKind, Input, Load, LoadKind, Rail
from bringup.core.limits import Limits, parse_limits
from bringup.core.procedure import Action, Apply, Channel, Leads, Log, Measure, PowerOff, Procedure, Step
from bringup.core.quantity import Quantity, parse_quantity
from bringup.core.simulate import Simulate
from bringup.core.unpowered import Resistance
from bringup.core.words import Kind


def q(text: str) -> Quantity:
    return parse_quantity(text)


def lim(text: str) -> Limits:
    return parse_limits(text)


BUCK = Converter(
    ConverterKind.BUCK,
    starts_at=q("14 V"),
    stops_at=q("12.5 V"),
    soft_start=q("4 ms"),
    efficiency=q("80 %"),
    reference=lim("0.8 V ± 1 %"),
    upper=lim("140 kΩ ± 1 %"),
    lower=lim("10 kΩ ± 1 %"),
)
INVERTING = Converter(
    ConverterKind.INVERTING,
    starts_at=q("8 V"),
    soft_start=q("3 ms"),
    efficiency=q("75 %"),
    reference=lim("1.2 V ± 1 %"),
    upper=lim("180 kΩ ± 1 %"),
    lower=lim("20 kΩ ± 1 %"),
)
VIN = Input(
    "VIN",
    q("24 V"),
    working=lim("18 V .. 30 V"),
    damage_above=q("33 V"),
    probe="J1.1",
    capacitance=q("200 uF"),
    loads=(Load("indicator", LoadKind.RESISTANCE, 2400.0),),
)
RAILS = (
    Rail(
        "12V0",
        "VIN",
        probe="TP2",
        converter=BUCK,
        loads=(Load("sensors", LoadKind.CURRENT, 0.06),),
        capacitance=q("100 uF"),
        ground=lim("> 200 Ω"),
        damage_above=q("14 V"),
    ),
    Rail(
        "5V0",
        "12V0",
        probe="TP3",
        expect=lim("5 V ± 2 %"),
        converter=Converter(ConverterKind.LINEAR, dropout=q("300 mV")),
        loads=(Load("radio", LoadKind.CURRENT, 0.02, {"asleep": 0.0, "transmitting": 0.18}),),
        capacitance=q("10 uF"),
    ),
    Rail(
        "N12V",
        "12V0",
        probe="TP4",
        converter=INVERTING,
        loads=(Load("sensors", LoadKind.CURRENT, 0.015),),
        capacitance=q("20 uF"),
        damage_above=q("14 V"),
    ),
)


def small_board(vin: Input = VIN, rails: tuple[Rail, ...] = RAILS, **changes: Any) -> Board:
    board = Board(
        "Mooring buoy logger",
        "B",
        "MBL-[0-9]{4}",
        {vin.name: vin},
        {rail.name: rail for rail in rails},
        states=("blank", "asleep", "transmitting"),
    )
    return replace(board, **changes)


def with_rail(name: str, **changes: Any) -> Board:
    """The small board with one rail changed."""
    return small_board(rails=tuple(replace(rail, **changes) if rail.name == name else rail for rail in RAILS))


def with_converter(name: str, **changes: Any) -> Board:
    """The small board with one converter changed."""
    converter = next(rail.converter for rail in RAILS if rail.name == name)
    assert converter is not None
    return with_rail(name, converter=replace(converter, **changes))


def with_input(**changes: Any) -> Board:
    """The small board with its input changed."""
    return small_board(replace(VIN, **changes))


def tiny_board() -> Board:
    """A board file that states rails with limits and nothing else."""
    rails = {
        name: Rail(name, None, probe=probe, expect=lim(expect))
        for name, probe, expect in (("5V0", "TP3", "5 V ± 2 %"), ("3V3", "TP4", "3.3 V ± 2 %"))
    }
    return Board("Mooring buoy logger", "A", ".+", {"VIN": Input("VIN", q("24 V"))}, rails)


def apply(*then: str, limit: str = "400 mA", short_check: str | None = "1 V", **changes: Any) -> Apply:
    check = None if short_check is None else q(short_check)
    return replace(Apply("VIN", tuple(q(volts) for volts in then or ("18 V", "24 V")), q(limit), check), **changes)


def procedure(*actions: Action | Step, board: Board | None = None, **changes: Any) -> Procedure:
    steps = tuple(
        replace(action, index=index) if isinstance(action, Step) else Step(index, action)
        for index, action in enumerate(actions)
    )
    return replace(Procedure("First power-on", small_board() if board is None else board, steps), **changes)


def sound(*between: Action | Step, power: Apply | None = None, board: Board | None = None, **changes: Any) -> Procedure:
    """A procedure in good order with `power` as its apply, and what stands between it and power_off."""
    board = small_board() if board is None else board
    before = (Resistance(tuple(board.rails)), Leads("VIN"))
    measure = between or (Measure(tuple(board.rails)),)
    return procedure(*before, power or apply(), *measure, PowerOff(), board=board, **changes)


def log(*what: str, every: str = "200 ms", lasting: str = "10 s") -> Log:
    kinds = {"current": Kind.CURRENT, "power": Kind.POWER, "voltage": Kind.VOLTAGE}
    channels = []
    for text in what:
        point, _, word = text.rpartition(" ")
        channels.append(Channel(point or text, kinds.get(word, Kind.VOLTAGE), text))
    return Log(tuple(channels), q(lasting), q(every))


def bench(**changes: Any) -> Bench:
    """A bench with a supply and a meter that are read over a wire, wired to the board."""
    supply = SupplyRole(
        "TCPIP0::192.0.2.10::5025::SOCKET", "select-by-number", {"VIN": 1}, ceiling=Ceiling(q("30 V"), q("1 A"))
    )
    meter = MeterRole("TCPIP0::192.0.2.11::5025::SOCKET", "configure-and-read")
    return replace(Bench("Corner bench", supply, meter, probing_by_hand=False), **changes)


def simulated_bench() -> Bench:
    return Bench(
        "Simulated bench",
        SupplyRole(None, "select-by-number", {"VIN": 1}, ceiling=Ceiling(q("30 V"), q("1 A"))),
        MeterRole(None, "configure-and-read"),
        simulate=Simulate("board.yaml"),
    )


def by_hand_bench() -> Bench:
    return Bench("Kitchen table", SupplyRole(None, ceiling=Ceiling(q("30 V"), q("1 A"))), MeterRole(None))
