"""Meeting the instruments: who they are, what they are set to, whether they may be used. Changes nothing.

What to do about an output that was found on is decided here by a person; it is switched once the attempt has begun.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field, replace

from bringup.core.calibration import calibration, day_at
from bringup.core.dialect import Dialect
from bringup.core.frozen import frozen
from bringup.core.needs import lacking, powered_together
from bringup.core.procedure import Leads
from bringup.core.quantity import format_quantity
from bringup.core.safety_bench import probed_points
from bringup.core.wording import shown
from bringup.errors import BenchError, LinkError
from bringup.runner.found_load import channel_in_words, channels_found, decide_load_on
from bringup.runner.journal import Journal
from bringup.runner.load_role import ChannelSettings, Load
from bringup.runner.power import Power
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.records import InstrumentInfo
from bringup.runner.roles import Attached, Meter, OneSupply, OutputSettings, Scanner, Supply
from bringup.runner.scanning import try_relays
from bringup.runner.scpi_scope import ScpiScope
from bringup.runner.setup import AttemptSetup
from bringup.runner.supply_replies import no_such_output
from bringup.runner.wait import WaitPoint
from bringup.runner.watch import LONGEST_LOOK

SWITCH_OFF = "switch it off and go on"
LEAVE_IT = "leave it on and stop here"
DEAD_TERMINALS = 1.0
"""Volts below which an output whose state the dialect cannot ask is taken for off."""


@frozen
class Found:
    """What attaching found, kept until the attempt has begun and it can be logged."""

    infos: tuple[InstrumentInfo, ...]
    attached: tuple[tuple[str, Attached], ...]
    settings: tuple[OutputSettings, ...]
    look_takes: Mapping[str, float] = field(default_factory=dict)
    """Supply -> seconds that a look at one of its outputs takes."""
    channels: tuple[ChannelSettings, ...] = ()
    """Of the load."""


def attach(setup: AttemptSetup, waits: WaitPoint) -> Found:
    """Identify every instrument and read the supply's settings.

    Raises BenchError for one that does not answer, or is another one than the bench file says (the roles compare).
    """
    infos: list[InstrumentInfo] = []
    attached: list[tuple[str, Attached]] = []
    roles: tuple[tuple[str, OneSupply | Meter | Load | Scanner | ScpiScope | None], ...] = (
        *((each.info.role, each) for each in (() if setup.supply is None else setup.supply.parts)),
        ("meter", setup.meter),
        ("load", setup.load),
        ("scanner", setup.scanner),
        ("scope", setup.scope),
    )
    for name, role in roles:
        if role is None:
            continue
        try:
            found = waits.result(role.attach(), name, "who it is")
        except LinkError as error:
            raise BenchError(f"the {name} does not answer: {error.message}", error.what_to_do) from error
        if not role.info.by_hand and (found.identity is None or not found.identity.text.strip()):
            raise BenchError(
                f"the {name} does not say who it is", "Check its address in the bench file, and that it is switched on."
            )
        infos.append(role.info)
        attached.append((name, found))
    _refuse_what_lacks(setup, {name: found.dialect for name, found in attached if found.dialect is not None})
    settings = _settings(setup.supply, waits)
    if setup.scanner is not None:
        # On a board that is live, by whatever volts, or may be, nothing is connected only to try it.
        dead = bool(settings) and all(each.on is False for each in settings)
        try_relays(setup.scanner, _needed(setup) if dead else (), waits)
    channels = channels_found(setup.load, waits)
    return Found(tuple(infos), tuple(attached), settings, _look_takes(setup, settings), channels)


def _needed(setup: AttemptSetup) -> tuple[str, ...]:
    """Return the points that the steps probe on the board, each once."""
    steps = [step for step in setup.procedure.steps if not isinstance(step.action, Leads)]
    probed = (point for step in steps for point in probed_points(step, setup.procedure.board))
    return tuple(dict.fromkeys(probed))


def _look_takes(setup: AttemptSetup, settings: tuple[OutputSettings, ...]) -> dict[str, float]:
    """Return the seconds that a look takes at each supply. Raises BenchError for one too slow to be watched."""
    if setup.supply is None:
        return {}
    found, left_alone = {}, {role.name: len(role.leave_alone) for role in setup.bench.supplies}
    for part in setup.supply.parts:
        name = part.info.role
        its = [each for each in settings if setup.supply.instrument(each.output) == name]
        answers = [each.answer_takes for each in its if each.answer_takes is not None]
        if answers:
            found[name] = _look_at(part, max(answers), len(its) - left_alone.get(name, 0))
    return found


def _look_at(part: OneSupply, answer: float, fed: int) -> float:
    one = part.pace(answer)
    if one * fed > LONGEST_LOOK:
        outputs = f" at each of {fed} outputs" if fed > 1 else ""
        raise BenchError(
            f"the {part.info.role} is too slow to be watched: it takes {shown(answer, 's', 2)} for an answer, and so "
            f"{shown(one, 's', 2)} for a look{outputs}, where {LONGEST_LOOK:g} s is the most in all",
            "Reach it another way (LAN or USB, a higher baud rate), or shorten `gap` in its dialect. Nothing was set.",
        )
    return one


def _refuse_what_lacks(setup: AttemptSetup, models: Mapping[str, Dialect]) -> None:
    """Refuse a model that cannot do what a step needs. Raises BenchError with the line of the step.

    What every model of the dialect lacks was refused before anything was opened.
    """
    for role in setup.bench.supplies:
        alone = replace(setup.bench, supply=role, more_supplies=())
        if role.name not in models or not (fed := powered_together(setup.procedure, alone, models[role.name])):
            continue
        which = "this supply" if role.name == "supply" else f"the {role.name}"
        raise BenchError(
            f"one switch serves every output of {which}, and the bench file gives outputs to {' and '.join(fed)}: "
            "they would all be powered at once",
            "Use a supply that switches each output by itself, or give only one input an output. Nothing was changed.",
        )
    for finding in lacking(setup.procedure, setup.bench, models):
        step = setup.procedure.steps[finding.step or 0]
        raise BenchError(
            f"{setup.procedure.path}:{step.line}:{step.column}: {finding.message}",
            f"{finding.what_to_do} Nothing was changed.",
        )


def _settings(supply: Supply | None, waits: WaitPoint) -> tuple[OutputSettings, ...]:
    if supply is None or supply.by_hand:
        return ()
    try:
        outputs = supply.outputs()
        found = tuple(
            waits.result(supply.settings(each), "supply", f"settings of {supply.called(each)}") for each in outputs
        )
    except LinkError as error:
        raise BenchError(f"the supply does not tell its settings: {error.message}", error.what_to_do) from error
    if why := next(filter(None, (no_such_output(each, supply.called(each.output)) for each in found)), ""):
        raise BenchError(why, "Correct `outputs` and `leave_alone` in the bench file. No output was changed.")
    return found


def log_found(found: Found, setup: AttemptSetup, journal: Journal) -> None:
    """Keep and show what was found: identities, errors that waited, settings, calibration; the reference."""
    for name, attached in found.attached:
        journal.troubles(name, attached.troubles)
        for error in attached.old_errors:
            journal.event("old-error", f"{name}: an error waited in its queue: {error.raw}", {"instrument": name})
    for info in found.infos:
        who = "by hand" if info.by_hand or info.identity is None else info.identity.text
        journal.event("attached", f"{info.role}: {who}", {"instrument": info.role, "resource": info.resource})
        _log_calibration(info, setup, journal)
    for settings in found.settings:
        journal.event("settings", in_words(settings, setup))
        journal.troubles("supply", settings.troubles)
    for channel in found.channels:
        journal.event("settings", channel_in_words(channel, setup))
        journal.troubles("load", channel.troubles)
    if setup.sisters is not None and setup.sisters.reference is not None:
        journal.event("reference", setup.sisters.reference.words)


def _log_calibration(info: InstrumentInfo, setup: AttemptSetup, journal: Journal) -> None:
    due, today = info.calibration_due, day_at(setup.clock.utc())
    state = calibration(due, today, setup.bench.calibration.warn_days)
    if due is not None and state in ("overdue", "due soon"):
        word = "was" if state == "overdue" else "is"
        journal.event("calibration", f"{info.role}: its calibration {word} due on {due.isoformat()}")


def in_words(settings: OutputSettings, setup: AttemptSetup) -> str:
    """Say what an output is set to."""
    assert setup.supply is not None, "its settings were read"
    volts = "unknown volts" if settings.volts is None else format_quantity(settings.volts, "V")
    amps = "unknown amps" if settings.amps is None else format_quantity(settings.amps, "A")
    state = {True: "ON", False: "off", None: "in an unknown state"}[settings.on]
    return f"{setup.supply.called(settings.output)} is {state}, set to {volts}, {amps}"


def decide_found_on(found: Found, setup: AttemptSetup, power: Power, waits: WaitPoint) -> tuple[int, ...]:
    """Have a person decide about outputs that were found on. Returns those to be switched off, once that is logged.

    Nothing is switched here. Raises BenchError if one is to stay on, or if there is nobody to ask.
    """
    to_switch_off = []
    for settings in found.settings:
        if settings.output in power.left_alone or settings.on is False:
            continue
        sample = power.look_once(settings.output)
        if settings.on is None and sample.volts is not None and abs(sample.volts) < DEAD_TERMINALS:
            continue
        volts = "no value" if sample.volts is None else format_quantity(sample.volts, "V")
        amps = "no value" if sample.amps is None else format_quantity(sample.amps, "A")
        text = f"{in_words(settings, setup)}; it carries {volts} at {amps}"
        can_answer = setup.ask.attended or all(info.simulated for info in found.infos)
        prompt = Prompt(PromptKind.CHOICE, text, choices=(SWITCH_OFF, LEAVE_IT), suggestion=SWITCH_OFF)
        if not can_answer or waits.answer(prompt).text != SWITCH_OFF:
            raise BenchError(
                f"an output was found on: {text}",
                "Find out what it feeds, switch it off, or list it under `leave_alone`. Nothing was changed.",
            )
        to_switch_off.append(settings.output)
    simulated = all(info.simulated for info in found.infos)
    decide_load_on(found.channels, setup, power.sinking, waits, simulated=simulated)
    return tuple(to_switch_off)
