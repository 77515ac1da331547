"""Supply and meter that speak to nobody: the person sets and reads them, the tool dictates and writes down.

What a person types is a claim, not a read-back: there are no trips and no polls, and off is the person's word. A
value that looks like a slip is asked for once more, then taken and flagged.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence

from bringup.core.bench import MeterRole, SupplyRole
from bringup.core.limits import Limits
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.words import UNIT_OF, Kind
from bringup.runner.exchange import joined, settled
from bringup.runner.pending import Pending
from bringup.runner.prompts import Prompt, PromptKind
from bringup.runner.protocols import Ask
from bringup.runner.readback import knob_limits
from bringup.runner.records import InstrumentInfo, PollSample
from bringup.runner.roles import Attached, Done, Function, OutputSettings, Protection, Trouble
from bringup.runner.typed import Typed, Wanted, near, type_in, value_of

KIND_OF = {Function.DC_VOLTS: Kind.VOLTAGE, Function.DC_AMPS: Kind.CURRENT, Function.OHMS: Kind.RESISTANCE}
DIAL_OF = {
    Function.DC_VOLTS: "dial at DC volts, red lead in the volts jack",
    Function.DC_AMPS: "dial at DC amps, red lead in the amps jack (the largest range first)",
    Function.OHMS: "dial at ohms, range automatic or the highest, red lead in the volts jack",
}


class HandMeter:
    """A meter that a person reads (roles.Meter)."""

    by_hand = True

    def __init__(self, role: MeterRole, ask: Ask, *, limits: Mapping[str, Limits] | None = None) -> None:
        """`limits`: voltage limits of the board's points by name, by which slips are noticed."""
        self._role = role
        self._ask = ask
        self._limits = dict(limits or {})
        self._dial: Function | None = None

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook."""
        return InstrumentInfo("meter", "", "", None, self._role.calibration_due, simulated=False, by_hand=True)

    def attach(self) -> Pending[Attached]:
        """Nothing answers by itself."""
        return settled(Attached(None))

    def read(
        self, function: Function, *, around: float | None = None, point: str = ""
    ) -> Pending[tuple[Value, tuple[Trouble, ...]]]:
        """Ask what the meter shows at `point`; dial and jack are named when they change."""
        kind = KIND_OF[function]
        lines = (f"Meter: {DIAL_OF[function]}.",) if function is not self._dial else ()
        self._dial = function
        others = {name: limits for name, limits in self._limits.items() if name != point}
        wanted = Wanted(
            f"{point}: what does the meter show?" if point else "What does the meter show?",
            kind,
            lines,
            self._limits.get(point, near(around, kind)) if kind is Kind.VOLTAGE else near(around, kind),
            others if kind is Kind.VOLTAGE else None,
        )
        return type_in(self._ask, wanted).then(lambda typed: (value_of(typed, kind), typed[2]))

    def close(self) -> None:
        """Nothing to let go of."""


class HandSupply:
    """A supply that a person sets (roles.Supply). While its output is off, settings are dictated together.

    Each setting that is asked for with the output off waits until the settings are read back or the output goes on;
    with the output on it is dictated at once.
    """

    by_hand = True

    def __init__(self, role: SupplyRole, ask: Ask, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._role = role
        self._ask = ask
        self._monotonic = monotonic
        self._on: bool | None = None
        self._to_set: dict[Kind, float] = {}

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook."""
        return InstrumentInfo("supply", "", "", None, self._role.calibration_due, simulated=False, by_hand=True)

    def can_protect(self, protection: Protection) -> bool:
        """No: what protection it has is set and cleared at its panel, and trips tell nobody."""
        del protection
        return False

    def outputs(self) -> Sequence[int]:
        """Outputs the bench file gives to inputs, plus those to be left alone."""
        return sorted((set(self._role.outputs.values()) or {1}) | set(self._role.leave_alone))

    def attach(self) -> Pending[Attached]:
        """Nothing answers by itself."""
        return settled(Attached(None))

    def settings(self, output: int) -> Pending[OutputSettings]:
        """Dictate what waits to be set and ask what is shown; with nothing waiting, ask whether the output is off."""
        if self._to_set:
            return self._dictate().then(lambda got: self._shown(output, got))
        return self._is_off("Is the supply's output off?").chain(lambda done: self._seen(output, done))

    def set_voltage(self, output: int, volts: float) -> Pending[Done]:
        """Have the level set: at once if the output is on, else with the other settings."""
        return self._set(output, Kind.VOLTAGE, volts)

    def set_current_limit(self, output: int, amps: float) -> Pending[Done]:
        """Have the current limit set: at once if the output is on, else with the other settings."""
        return self._set(output, Kind.CURRENT, amps)

    def set_protection(
        self, output: int, protection: Protection, level: float | None, delay: float = 0.0
    ) -> Pending[Done]:
        """Out of reach."""
        del output, level, delay
        return settled(Done(troubles=(Trouble("", f"a supply set by hand has no {protection} protection in reach"),)))

    def set_remote_sense(self, output: int, remote: bool) -> Pending[Done]:
        """Have the sense leads or straps put where they belong."""
        del output
        where = "at the board (sense leads connected)" if remote else "at its terminals (straps fitted)"
        prompt = Prompt(PromptKind.GO, f"Supply: sense {where}.", suggestion="done")
        return self._ask.ask(prompt).then(lambda _: Done(on=remote))

    def switch(self, output: int, on: bool) -> Pending[Done]:
        """Have the output switched and ask what it is now."""
        del output
        if not on:
            return self._is_off("Switch the supply's output OFF. Is it off?")
        if self._to_set:
            return self._dictate().chain(
                lambda got: self._switch_on().then(lambda done: joined(Done(troubles=got[1]), done))
            )
        return self._switch_on()

    def all_off(self) -> Pending[Done]:
        """Have everything switched off, except what is to be left alone."""
        alone = ", ".join(map(str, self._role.leave_alone))
        spared = f" (leave output {alone} alone)" if alone else ""
        return self._is_off(f"Switch the supply's output OFF now{spared}. Is it off?")

    def poll(self, output: int) -> Pending[PollSample]:
        """No value: nobody looks five times a second."""
        return settled(PollSample(self._monotonic(), output))

    def clear_trip(self, output: int) -> Pending[Done]:
        """Have a trip cleared at the panel and ask whether the output is off."""
        del output
        return self._is_off("Clear the protection trip at the supply's panel. Is the output still off?")

    def close(self) -> None:
        """Nothing to let go of."""

    # what is asked

    def _set(self, output: int, kind: Kind, value: float) -> Pending[Done]:
        del output
        self._to_set[kind] = value
        if self._on is False:
            return settled(Done())
        return self._dictate().then(lambda got: Done(got[0][kind].number, None, got[1]))

    def _dictate(self) -> Pending[tuple[dict[Kind, Value], tuple[Trouble, ...]]]:
        """Have everything set that waits, the current limit first, and ask for each what is shown."""
        waiting, self._to_set = self._to_set, {}
        in_order = sorted(waiting.items(), key=lambda each: each[0] is not Kind.CURRENT)
        return self._dictate_next(in_order, {}, ())

    def _dictate_next(
        self, rest: list[tuple[Kind, float]], got: dict[Kind, Value], troubles: tuple[Trouble, ...]
    ) -> Pending[tuple[dict[Kind, Value], tuple[Trouble, ...]]]:
        if not rest:
            return settled((got, troubles))
        kind, value = rest[0]
        state = "Output off. " if self._on is False else ""
        name = "voltage" if kind is Kind.VOLTAGE else "current limit"
        shown = format_quantity(value, UNIT_OF[kind])
        text = f"{state}Set the supply's {name} to {shown}. What does it show?"
        typed = type_in(self._ask, Wanted(text, kind, limits=knob_limits(value, UNIT_OF[kind]), exact=True))
        return typed.chain(
            lambda each: self._dictate_next(rest[1:], {**got, kind: value_of(each, kind)}, (*troubles, *each[2]))
        )

    def _switch_on(self) -> Pending[Done]:
        choices = ("it is on", "it is still off")
        prompt = Prompt(
            PromptKind.CHOICE, "Switch the supply's output ON now.", choices=choices, suggestion=choices[0], danger=True
        )
        self._on = None
        return self._ask.ask(prompt).then(lambda answer: self._took(answer.text == choices[0]))

    def _is_off(self, text: str) -> Pending[Done]:
        choices = ("it is off", "it is on", "I cannot tell")
        prompt = Prompt(PromptKind.CHOICE, text, choices=choices, suggestion=choices[0], danger=True)
        states = {choices[0]: False, choices[1]: True}
        return self._ask.ask(prompt).then(lambda answer: self._took(states.get(answer.text)))

    def _took(self, on: bool | None) -> Done:
        self._on = on
        return Done(on=on)

    def _shown(self, output: int, got: tuple[dict[Kind, Value], tuple[Trouble, ...]]) -> OutputSettings:
        values, troubles = got
        none = Value(None, "")
        volts, amps = values.get(Kind.VOLTAGE, none).number, values.get(Kind.CURRENT, none).number
        return OutputSettings(output, volts, amps, self._on, troubles=troubles)

    def _seen(self, output: int, done: Done) -> Pending[OutputSettings]:
        """An output found on: its volts and amps are asked for, too."""
        if done.on is not True:
            return settled(OutputSettings(output, None, None, done.on))
        volts = type_in(self._ask, Wanted("What voltage does the supply show?", Kind.VOLTAGE))

        def then_amps(first: Typed) -> Pending[OutputSettings]:
            amps = type_in(self._ask, Wanted("What current does it show?", Kind.CURRENT))
            return amps.then(
                lambda second: OutputSettings(
                    output, value_of(first, Kind.VOLTAGE).number, value_of(second, Kind.CURRENT).number, on=True
                )
            )

        return volts.chain(then_amps)
