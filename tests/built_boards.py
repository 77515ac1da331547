"""Boards built directly as records, for tests of the solver and the simulated world."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

import pytest

from bringup.core.board import Board, Converter, ConverterKind, Input, Load, LoadKind, Rail
from bringup.core.limits import Limits
from bringup.core.quantity import Quantity


def amount(value: float | str, unit: str) -> Quantity:
    """Quantity of a plain number."""
    return Quantity(Decimal(str(value)), unit)


def tolerance(nominal: float | str, percent: float | str, unit: str = "V") -> Limits:
    """Limits of a nominal value and a symmetrical tolerance."""
    middle = Decimal(str(nominal))
    reach = abs(middle) * Decimal(str(percent)) / 100
    return Limits(unit, middle - reach, middle + reach, middle)


def converter(kind: str, **facts: object) -> Converter:
    """Converter from plain numbers: `efficiency` in %, network parts as (nominal, percent)."""
    units = {"starts_at": "V", "stops_at": "V", "soft_start": "s", "efficiency": "%", "output_resistance": "ohm"}
    units |= {"dropout": "V", "minimum_load": "A", "quiescent": "A", "current_limit": "A"}
    made: dict[str, object] = {}
    for name, fact in facts.items():
        if name in units:
            assert isinstance(fact, int | float)
            made[name] = amount(fact, units[name])
        else:
            assert isinstance(fact, tuple)
            made[name] = tolerance(fact[0], fact[1], "V" if name == "reference" else "ohm")
    return Converter(ConverterKind(kind), **made)  # type: ignore[arg-type]


def amps(value: float, name: str = "load", **by_state: float) -> Load:
    return Load(name, LoadKind.CURRENT, value, by_state)


def ohms(value: float, name: str = "resistor", **by_state: float) -> Load:
    return Load(name, LoadKind.RESISTANCE, value, by_state)


def watts(value: float, name: str = "module", **by_state: float) -> Load:
    return Load(name, LoadKind.POWER, value, by_state)


def rail(name: str, source: str | None, made_by: Converter | None = None, **facts: object) -> Rail:
    """Rail from plain numbers; `volts` is its stated nominal, ± 2 %."""
    made: dict[str, object] = {}
    for key, fact in facts.items():
        if key == "volts":
            assert isinstance(fact, int | float)
            made["expect"] = tolerance(fact, 2)
        elif key in {"capacitance", "unpowered_resistance"}:
            assert isinstance(fact, int | float)
            made[key] = amount(fact, "F" if key == "capacitance" else "ohm")
        else:
            made[key] = fact
    return Rail(name, source, converter=made_by, **made)  # type: ignore[arg-type]


def board(*rails: Rail, vin: float = 24.0, states: tuple[str, ...] = (), **facts: object) -> Board:
    """Board with one input VIN."""
    made: dict[str, object] = {}
    for key, fact in facts.items():
        if key in {"capacitance", "unpowered_resistance"}:
            assert isinstance(fact, int | float)
            made[key] = amount(fact, "F" if key == "capacitance" else "ohm")
        else:
            made[key] = fact
    feeding = Input("VIN", amount(vin, "V"), **made)  # type: ignore[arg-type]
    by_name: Mapping[str, Rail] = {one.name: one for one in rails}
    return Board("Mooring buoy logger", "B", "MBL-[0-9]{4}", {"VIN": feeding}, by_name, states)


def buoy() -> Board:
    """Small relative of the mooring buoy logger: every kind of converter but a boost, two levels deep and more."""
    buck = converter(
        "buck",
        starts_at=14,
        soft_start=0.004,
        efficiency=88,
        reference=(0.8, 1),
        upper=(140e3, 1),
        lower=(10e3, 1),
    )
    five = converter("buck", starts_at=7, soft_start=0.002, efficiency=90, minimum_load=0.005, output_resistance=0.02)
    return board(
        rail("12V0", "VIN", buck, loads=(amps(0.020, "sensor chain"),), capacitance=47e-6),
        rail("5V0", "12V0", five, volts=5.0, capacitance=47e-6),
        rail("3V3", "5V0", converter("linear", dropout=0.3), volts=3.3, loads=(amps(0.035),), capacitance=22e-6),
        rail("1V8", "3V3", converter("linear", dropout=0.2), volts=1.8, loads=(ohms(90.0),), capacitance=10e-6),
        rail(
            "-12V",
            "12V0",
            converter("inverting", starts_at=7, soft_start=0.003, efficiency=75),
            volts=-12.0,
            loads=(amps(0.005),),
            capacitance=22e-6,
        ),
        capacitance=220e-6,
    )


def one_rail(kind: str = "buck", *, load: float = 0.1, vin: float = 24.0, **facts: object) -> Board:
    """One rail of 12 V made by 0.8 V * (1 + 140k / 10k)."""
    network = {"reference": (0.8, 1), "upper": (140e3, 1), "lower": (10e3, 1)}
    return board(rail("12V0", "VIN", converter(kind, **{**network, **facts}), loads=(amps(load),)), vin=vin)


def near(value: float, relative: float = 1e-9) -> object:
    """Equal but for rounding."""
    return pytest.approx(value, rel=relative, abs=1e-9)
