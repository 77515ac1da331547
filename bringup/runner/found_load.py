"""A load as it is met: how its channels are set, and what becomes of one that was found on. Changes nothing."""

from __future__ import annotations

from bringup.core.dialect import LOAD_MODES
from bringup.core.quantity import format_quantity
from bringup.errors import BenchError, LinkError
from bringup.runner.load_role import ChannelSettings, Load
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.setup import AttemptSetup
from bringup.runner.sinking import Sinking
from bringup.runner.wait import WaitPoint

SWITCH_OFF = "switch the load off and go on"
LEAVE_IT = "leave it on and stop here"


def channels_found(load: Load | None, waits: WaitPoint) -> tuple[ChannelSettings, ...]:
    """Read how every channel of ours is set. Raises BenchError where it does not tell."""
    if load is None:
        return ()
    try:
        return tuple(
            waits.result(load.settings(each), "load", f"settings of channel {each}") for each in load.channels()
        )
    except LinkError as error:
        raise BenchError(f"the load does not tell its settings: {error.message}", error.what_to_do) from error


def channel_in_words(settings: ChannelSettings, setup: AttemptSetup) -> str:
    """Say what a channel is set to."""
    wired = {} if setup.bench.load is None else {channel: point for point, channel in setup.bench.load.channels.items()}
    state = {True: "ON", False: "off", None: "in an unknown state"}[settings.on]
    mode = settings.mode or "unknown"
    level = "unknown" if settings.level is None else format_quantity(settings.level, LOAD_MODES.get(mode, ""))
    where = f"channel {settings.channel} of the load ({wired.get(settings.channel, '-')})"
    return f"{where} is {state}, constant {mode} {level}"


def decide_load_on(
    found: tuple[ChannelSettings, ...], setup: AttemptSetup, sinking: Sinking, waits: WaitPoint, *, simulated: bool
) -> None:
    """Have a person decide about channels that were found on, or whose state it does not tell.

    Those to be switched off are claimed, and go off once that is logged. Raises BenchError if one is to stay on, or if
    there is nobody to ask.
    """
    for settings in found:
        if settings.on is False:
            continue
        sample = sinking.look(settings.channel)
        amps = "no value" if sample.amps is None else format_quantity(sample.amps, "A")
        volts = "no value" if sample.volts is None else format_quantity(sample.volts, "V")
        text = f"{channel_in_words(settings, setup)}; it draws {amps} at {volts}"
        prompt = Prompt(PromptKind.CHOICE, text, choices=(SWITCH_OFF, LEAVE_IT), suggestion=SWITCH_OFF)
        if not (setup.ask.attended or simulated) or waits.answer(prompt).text != SWITCH_OFF:
            raise BenchError(
                f"the load was found on: {text}",
                "Find out what it draws from, and switch it off. Nothing was changed.",
            )
        sinking.claim(settings.channel)
