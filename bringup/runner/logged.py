"""What a look at the supply or at a load says of a logged quantity: volts, amperes, or the watts that they make."""

from __future__ import annotations

from dataclasses import replace
from operator import mul

from bringup.core.procedure import Channel
from bringup.core.replies import Value, read_number
from bringup.core.statistics_of_log import product_resolution
from bringup.core.uncertainty import propagated
from bringup.core.words import Kind
from bringup.runner.actions.load import volts_at_load
from bringup.runner.load_role import LoadSample
from bringup.runner.measuring import sample_amps, sample_volts
from bringup.runner.records import PollSample
from bringup.runner.uncertain import standard_of
from bringup.runner.work import Work


def reported(work: Work, channel: Channel, sample: PollSample) -> Value:
    """Return volts, amps or watts of a look; no value where the look has none."""
    if channel.kind is Kind.VOLTAGE:
        return sample_volts(sample)
    if channel.kind is Kind.CURRENT:
        return sample_amps(sample)
    volts, amps = sample_volts(sample), sample_amps(sample)
    if volts.number is None or amps.number is None:
        return Value(None, f"{volts.raw} V * {amps.raw} A", why="the supply gave no value")
    return _watts(work, channel, work.supply_of(channel.point), volts, amps)


def read_at_load(work: Work, channel: Channel, sample: LoadSample) -> Value:
    """Return volts, amps or watts of a look at the load; no value where the look has none."""
    volts = volts_at_load(work, channel.point, sample)
    if sample.volts is not None:
        volts = replace(volts, resolution=_digit(sample.volts_raw))
    if channel.kind is Kind.VOLTAGE:
        return volts
    why = "the load gave no value" if sample.fault is None else sample.fault.value
    resolution = None if sample.amps is None else _digit(sample.amps_raw)
    amps = Value(sample.amps, sample.amps_raw, resolution, why="" if sample.amps is not None else why)
    if channel.kind is Kind.CURRENT:
        return amps
    if sample.volts is None or sample.amps is None:
        return Value(None, "", why=why)
    return _watts(work, channel, "load", replace(volts, number=abs(sample.volts)), amps)


def _watts(work: Work, channel: Channel, instrument: str, volts: Value, amps: Value) -> Value:
    """Multiply, with the digits that both have and the uncertainty that follows from theirs, as far as it is known."""
    assert volts.number is not None
    assert amps.number is not None
    digit = product_resolution(volts.number, amps.number, volts.resolution, amps.resolution)
    watts = Value(volts.number * amps.number, f"{volts.raw} V * {amps.raw} A", digit)
    of_volts = standard_of(work, instrument, Kind.VOLTAGE, channel.point, volts)
    of_amps = None if of_volts is None else standard_of(work, instrument, Kind.CURRENT, channel.point, amps)
    if of_volts is None or of_amps is None:
        return watts
    return replace(watts, standard=propagated(mul, (volts.number, amps.number), (of_volts, of_amps)))


def _digit(raw: str) -> float | None:
    return read_number(raw).resolution if raw else None
