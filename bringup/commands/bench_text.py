"""What `bringup bench` found: as records, as lines for people and as data for programs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from datetime import date
from typing import Any

from bringup.core.bench import Identity
from bringup.core.calibration import WARN_DAYS, calibration, days
from bringup.core.dialect import LOAD_MODES
from bringup.core.frozen import frozen
from bringup.core.quantity import format_quantity
from bringup.runner.load_role import ChannelSettings, LoadSample
from bringup.runner.records import PollSample
from bringup.runner.roles import Attached, OutputSettings, Trouble


@frozen
class OutputFound:
    """One output as it was found."""

    settings: OutputSettings
    input: str | None
    left_alone: bool
    look: PollSample | None = None
    """What it measures, where it was found on."""


@frozen
class ChannelFound:
    """One channel of a load as it was found."""

    settings: ChannelSettings
    point: str
    """What its leads are on."""
    look: LoadSample | None = None
    """What it measures, where it was found on."""


@frozen
class InstrumentFound:
    """One role of a bench as it was found. `problem` says why there is nothing more to tell."""

    role: str
    by_hand: bool = False
    simulated: bool = False
    resource: str = ""
    dialect: str = ""
    identity: Identity | None = None
    problem: str = ""
    round_trip: float | None = None
    """Median seconds from an identification sent to its answer."""
    attached: Attached | None = None
    outputs: tuple[OutputFound, ...] = ()
    channels: tuple[ChannelFound, ...] = ()
    set_to: str = ""
    """What a meter says that it measures."""
    calibration_due: date | None = None
    warn_days: int = WARN_DAYS
    fits: tuple[str, ...] = ()
    """Dialects that are made for what it answers to `*IDN?`."""
    connects: Mapping[str, int] = field(default_factory=dict)
    """Of a scanner: point -> channel, as the bench file says."""
    probe: tuple[int, float] | None = None
    """Of a scope: its channel, and by how much the probe there attenuates."""
    lacks: tuple[str, ...] = ()
    """What its dialect has no word for."""


def instrument_lines(found: InstrumentFound, today: date) -> list[str]:
    """Return what is shown of one instrument."""
    due = _calibration_line(found, today)
    if found.by_hand:
        return [f"{found.role}: by hand, nothing to ask", f"  {due}"]
    lines = [f"{found.role}: {found.resource}, dialect {found.dialect}" + (", simulated" if found.simulated else "")]
    if found.identity is not None:
        who = found.identity
        lines.append(
            f"  {who.maker}, model {who.model}, serial number {who.serial or '-'}, firmware {who.firmware or '-'}"
        )
    if found.problem:
        lines += [f"  NOT AS IT SHOULD BE: {found.problem}"]
    if found.round_trip is not None:
        lines.append(f"  answers within {format_quantity(found.round_trip, 's', resolution=found.round_trip / 100)}")
    if found.set_to:
        lines.append(f"  is set to {found.set_to}")
    lines += _dialect_lines(found)
    lines += [f"  channel {channel} connects {point}" for point, channel in found.connects.items()]
    if found.probe is not None:
        lines.append(f"  channel {found.probe[0]}, probe {found.probe[1]:g}:1")
    lines += [f"  {_output_line(output)}" for output in found.outputs]
    lines += [f"  {_channel_line(channel)}" for channel in found.channels]
    if found.attached is not None:
        lines += [f"  was waiting in its error queue, now cleared: {error.raw}" for error in found.attached.old_errors]
    lines += [f"  {_trouble_line(trouble)}" for trouble in _troubles(found)]
    return [*lines, f"  {due}"]


def instrument_data(found: InstrumentFound, today: date) -> dict[str, Any]:
    """Return what is printed of one instrument as JSON."""
    who, attached = found.identity, found.attached
    return {
        "role": found.role,
        "by_hand": found.by_hand,
        "simulated": found.simulated,
        "resource": found.resource or None,
        "dialect": found.dialect or None,
        "connects": dict(found.connects),
        "channel": None if found.probe is None else found.probe[0],
        "attenuation": None if found.probe is None else found.probe[1],
        "dialects_that_fit": list(found.fits),
        "no_word_for": list(found.lacks),
        "answers": who is not None,
        "problem": found.problem or None,
        "identity": who
        and {"maker": who.maker, "model": who.model, "serial": who.serial, "firmware": who.firmware, "text": who.text},
        "round_trip": found.round_trip,
        "errors": [] if attached is None else [error.raw for error in attached.old_errors],
        "troubles": [_trouble_line(trouble) for trouble in _troubles(found)],
        "set_to": found.set_to or None,
        "outputs": [_output_data(output) for output in found.outputs],
        "channels": [_channel_data(channel) for channel in found.channels],
        "calibration_due": found.calibration_due and found.calibration_due.isoformat(),
        "calibration": calibration(found.calibration_due, today, found.warn_days),
    }


def _dialect_lines(found: InstrumentFound) -> list[str]:
    """Say which dialect is made for what answers, and what the one in use does not reach."""
    lines = []
    if found.fits == (found.dialect,):
        lines.append(f"  {found.dialect} is the dialect for what it answers to *IDN?")
    elif len(found.fits) == 1:
        lines.append(f"  {found.fits[0]} is the dialect for what it answers to *IDN?: name it in the bench file")
    elif found.fits:
        lines.append(f"  these dialects fit what it answers to *IDN? alike: {', '.join(found.fits)}")
    if found.lacks:
        lines.append(f"  no word in its dialect for: {', '.join(found.lacks)}")
    return lines


def _calibration_line(found: InstrumentFound, today: date) -> str:
    due = found.calibration_due
    if due is None:
        return "calibration: the bench file does not say when it is due"
    state = calibration(due, today, found.warn_days)
    if state == "overdue":
        return f"WARNING: calibration was due {due.isoformat()}, {days((today - due).days)} ago"
    if state == "due soon":
        return f"WARNING: calibration due {due.isoformat()}, " + (
            "today" if due == today else f"in {days((due - today).days)}"
        )
    return f"calibration due {due.isoformat()}"


def _output_line(found: OutputFound) -> str:
    settings = found.settings
    state = {True: "ON", False: "off", None: "state unknown"}[settings.on]
    feeds = f" ({found.input})" if found.input else ""
    parts = [f"output {settings.output}{feeds}: {state}", f"set to {_or_unknown(settings.volts, 'V')}"]
    parts.append(f"current limit {_or_unknown(settings.amps, 'A')}")
    if settings.over_voltage is not None:
        parts.append(f"over-voltage protection {format_quantity(settings.over_voltage, 'V')}")
    if settings.over_current is not None:
        parts.append(f"over-current protection {format_quantity(settings.over_current, 'A')}")
    if found.look is not None:
        parts.append(f"gives {_or_unknown(found.look.volts, 'V')} at {_or_unknown(found.look.amps, 'A')}")
    if found.left_alone:
        parts.append("to be left alone")
    return ", ".join(parts)


def _output_data(found: OutputFound) -> dict[str, Any]:
    settings, look = found.settings, found.look
    return {
        "output": settings.output,
        "input": found.input,
        "left_alone": found.left_alone,
        "on": settings.on,
        "set_volts": settings.volts,
        "set_amps": settings.amps,
        "over_voltage": settings.over_voltage,
        "over_current": settings.over_current,
        "volts": look and look.volts,
        "amps": look and look.amps,
    }


def _channel_line(found: ChannelFound) -> str:
    settings, look = found.settings, found.look
    state = {True: "ON", False: "off", None: "state unknown"}[settings.on]
    parts = [f"channel {settings.channel} ({found.point}): {state}", f"constant {settings.mode or 'unknown'}"]
    parts.append(f"set to {_or_unknown(settings.level, LOAD_MODES.get(settings.mode or '', ''))}")
    if settings.stop_voltage is not None:
        parts.append(f"stop voltage {format_quantity(settings.stop_voltage, 'V')}")
    if look is not None:
        parts.append(f"draws {_or_unknown(look.amps, 'A')} at {_or_unknown(look.volts, 'V')}")
    return ", ".join(parts)


def _channel_data(found: ChannelFound) -> dict[str, Any]:
    settings, look = found.settings, found.look
    return {
        "channel": settings.channel,
        "point": found.point,
        "on": settings.on,
        "mode": settings.mode,
        "level": settings.level,
        "stop_voltage": settings.stop_voltage,
        "volts": look and look.volts,
        "amps": look and look.amps,
    }


def _or_unknown(value: float | None, unit: str) -> str:
    return "unknown" if value is None else format_quantity(value, unit)


def _troubles(found: InstrumentFound) -> list[Trouble]:
    attached = () if found.attached is None else found.attached.troubles
    told = (*(each.settings.troubles for each in found.outputs), *(each.settings.troubles for each in found.channels))
    return [*attached, *(trouble for troubles in told for trouble in troubles)]


def _trouble_line(trouble: Trouble) -> str:
    return f"{trouble.sent}: {trouble.text}" if trouble.sent else trouble.text
