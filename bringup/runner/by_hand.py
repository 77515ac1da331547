"""A supply that speaks to nobody: the person sets and reads it, the tool dictates and writes down.

What a person types is a claim, not a read-back: there are no trips and no polls, and off is the person's word, asked
for once after everything that could have changed it. A value that looks like a slip is asked for once more, then taken
and flagged.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence

from bringup.core.bench import SupplyRole
from bringup.core.quantity import format_quantity
from bringup.core.replies import Value
from bringup.core.words import UNIT_OF, Kind
from bringup.runner.endings import CalledOff
from bringup.runner.evidence import Claim
from bringup.runner.exchange import joined, settled
from bringup.runner.key_words import CALL_OFF, LETTERS
from bringup.runner.pending import Pending
from bringup.runner.prompts import Answer, Prompt, PromptKind
from bringup.runner.protocols import Ask
from bringup.runner.readback import knob_limits
from bringup.runner.records import InstrumentInfo, PollSample
from bringup.runner.roles import Attached, Done, OneSupply, OutputSettings, Protection, Trouble
from bringup.runner.typed import Typed, Wanted, type_in, value_of

NOT_NOW = "Set the knob first, or type q to call off: other keys can wait until it is set."

Dictated = tuple[dict[Kind, Value], tuple[Trouble, ...]]
"""What the person said was shown for each setting, and doubts that remain."""


class HandSupply(OneSupply):
    """A supply that a person sets (roles.Supply). While its output is off, settings are dictated together.

    Each setting that is asked for with the output off waits until the settings are read back or the output goes on;
    with the output on it is dictated at once.
    """

    by_hand = True

    def __init__(self, role: SupplyRole, ask: Ask, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._role = role
        self._ask = ask
        self._monotonic = monotonic
        self._on: dict[int, bool | None] = {}
        """Output -> what the person said last; nobody has touched it since. None or absent: nobody knows."""
        self._to_set: dict[int, dict[Kind, float]] = {}
        self.said: Claim | None = None
        """What the person said last of whether outputs are on."""

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook."""
        return InstrumentInfo("supply", "", "", None, self._role.calibration_due, simulated=False, by_hand=True)

    def can_protect(self, output: int, protection: Protection) -> bool:
        """No: what protection it has is set and cleared at its panel, and trips tell nobody."""
        del output, protection
        return False

    def outputs(self) -> Sequence[int]:
        """Outputs the bench file gives to inputs, plus those to be left alone."""
        return sorted((set(self._role.outputs.values()) or {1}) | set(self._role.leave_alone))

    def attach(self) -> Pending[Attached]:
        """Nothing answers by itself."""
        return settled(Attached(None))

    def settings(self, output: int) -> Pending[OutputSettings]:
        """Dictate what waits to be set and ask what is shown; else ask whether the output is off, if nobody knows."""
        if self._to_set.get(output):
            return self._dictate(output).then(lambda got: self._shown(output, got))
        if self._on.get(output) is False:
            return settled(OutputSettings(output, None, None, on=False))
        asked = self._is_off(output, f"Is {self._named(output)} off?")
        return asked.then(lambda done: OutputSettings(output, None, None, done.on))

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
        """Have the output switched and ask what it is now. One that is known to be off need not be switched off."""
        if not on and self._on.get(output) is False:
            return settled(Done(on=False))
        if not on:
            return self._is_off(output, f"Switch {self._named(output)} OFF. Is it off?")
        if self._to_set.get(output):
            return self._dictate(output).chain(
                lambda got: self._switch_on(output).then(lambda done: joined(Done(troubles=got[1]), done))
            )
        return self._switch_on(output)

    def all_off(self) -> Pending[Done]:
        """Have everything switched off, except what is to be left alone. Asked always: this is the emergency."""
        alone = ", ".join(map(str, self._role.leave_alone))
        spared = f" (leave output {alone} alone)" if alone else ""
        ours = self._ours()
        what = "the supply's output" if len(ours) == 1 else "every output of the supply"
        asked = "Is it off?" if len(ours) == 1 else "Are they off?"
        return self._is_off(ours, f"Switch {what} OFF now{spared}. {asked}")

    def pace(self, answer: float) -> float:
        """No look is ever asked for."""
        del answer
        return 0.0

    def poll(self, output: int) -> Pending[PollSample]:
        """No value: nobody looks five times a second."""
        return settled(PollSample(self._monotonic(), output))

    def clear_trip(self, output: int) -> Pending[Done]:
        """Have a trip cleared at the panel and ask whether the output is off."""
        return self._is_off(output, "Clear the protection trip at the supply's panel. Is the output still off?")

    def close(self) -> None:
        """Nothing to let go of."""

    # what is asked

    def _set(self, output: int, kind: Kind, value: float) -> Pending[Done]:
        self._to_set.setdefault(output, {})[kind] = value
        if self._on.get(output) is False:
            return settled(Done())
        return self._dictate(output).then(lambda got: Done(got[0][kind].number, None, got[1]))

    def _ours(self) -> tuple[int, ...]:
        return tuple(each for each in self.outputs() if each not in self._role.leave_alone)

    def _named(self, output: int) -> str:
        """Name an output: the supply's only one needs no number."""
        if len(self._ours()) == 1:
            return "the supply's output"
        fed = [name for name, number in self._role.outputs.items() if number == output]
        return f"output {output} of the supply" + (f" ({', '.join(fed)})" if fed else "")

    def _dictate(self, output: int) -> Pending[Dictated]:
        """Have everything set that waits, the current limit first, and ask for each what is shown."""
        waiting = self._to_set.pop(output, {})
        in_order = sorted(waiting.items(), key=lambda each: each[0] is not Kind.CURRENT)
        return self._dictate_next(output, in_order, {}, ())

    def _dictate_next(
        self,
        output: int,
        rest: list[tuple[Kind, float]],
        got: dict[Kind, Value],
        troubles: tuple[Trouble, ...],
        lines: tuple[str, ...] = (),
    ) -> Pending[Dictated]:
        if not rest:
            return settled((got, troubles))
        kind, value = rest[0]
        state = "Output off. " if self._on.get(output) is False else ""
        name = "voltage" if kind is Kind.VOLTAGE else "current limit"
        shown = format_quantity(value, UNIT_OF[kind])
        whose = "the supply's" if len(self._ours()) == 1 else f"on {self._named(output)} the"
        text = f"{state}Set {whose} {name} to {shown}. What does it show?"
        limits = knob_limits(value, UNIT_OF[kind])
        typed = type_in(self._ask, Wanted(text, kind, lines, limits=limits, exact=True, letters=CALL_OFF))

        def taken(each: Typed) -> Pending[Dictated]:
            if each[1] == CALL_OFF:
                raise CalledOff
            if each[1] in LETTERS:
                return self._dictate_next(output, rest, got, troubles, (NOT_NOW,))
            return self._dictate_next(output, rest[1:], {**got, kind: value_of(each, kind)}, (*troubles, *each[2]))

        return typed.chain(taken)

    def _switch_on(self, output: int) -> Pending[Done]:
        choices = ("it is on", "it is still off")
        text = f"Switch {self._named(output)} ON now."
        prompt = Prompt(PromptKind.CHOICE, text, choices=choices, suggestion=choices[0], claim=True, danger=True)
        return self._claimed(prompt, (output,), {choices[0]: True, choices[1]: False})

    def _is_off(self, output: int | tuple[int, ...], text: str) -> Pending[Done]:
        outputs = (output,) if isinstance(output, int) else output
        choices = ("it is off", "it is on", "I cannot tell")
        prompt = Prompt(PromptKind.CHOICE, text, choices=choices, suggestion=choices[0], claim=True, danger=True)
        states = {choices[0]: False, choices[1]: True}
        return self._claimed(prompt, outputs, states)

    def _claimed(self, prompt: Prompt, outputs: tuple[int, ...], states: Mapping[str, bool]) -> Pending[Done]:
        # Until the answer comes nobody knows: the question was put because something may have changed.
        self.forget(outputs)

        def took(answer: Answer) -> Done:
            on = states.get(answer.text)
            self._on.update(dict.fromkeys(outputs, on))
            self.said = Claim(prompt, answer.text, self._monotonic(), outputs)
            return Done(on=on)

        return self._ask.ask(prompt).then(took)

    def forget(self, outputs: Sequence[int]) -> None:
        """Rely on nothing that was said of these outputs: they are asked about before anything else is done."""
        self._on.update(dict.fromkeys(outputs))

    def _shown(self, output: int, got: Dictated) -> OutputSettings:
        values, troubles = got
        none = Value(None, "")
        volts, amps = values.get(Kind.VOLTAGE, none).number, values.get(Kind.CURRENT, none).number
        return OutputSettings(output, volts, amps, self._on.get(output), troubles=troubles)
