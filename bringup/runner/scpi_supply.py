"""A supply that speaks SCPI (roles.Supply): which messages an operation takes in a Dialect, and what came of them.

Where the dialect selects an output before working on it, every batch begins with the selection: nothing relies on an
earlier one, since a hand at the front panel may have changed it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from bringup.core.bench import SupplyRole
from bringup.core.dialect import Dialect, Message, can_ask, can_tell
from bringup.core.models import as_model
from bringup.core.spelling import ask, spell
from bringup.errors import BenchError
from bringup.runner.exchange import Told, apart, attach, faults_in, joined, one_by_one, settled, taking_part, tell
from bringup.runner.master_switch import switch_on
from bringup.runner.pending import Pending
from bringup.runner.protocols import Link
from bringup.runner.records import InstrumentInfo, PollSample, Reply
from bringup.runner.roles import Attached, Done, OneSupply, OutputSettings, Protection, Trouble
from bringup.runner.supply_operations import LEVEL, SETTINGS, STATE, Looks
from bringup.runner.supply_replies import Heard, either, not_selected, sample, settings
from bringup.runner.supply_requests import Asked, clears_every_trip, questions, selection, switching_off
from bringup.runner.trip_memory import TripMemory, asked_first, cleared_by_attaching, replies_by_output


class ScpiSupply(OneSupply):
    """One supply over one Link. `resource` is where it was opened (a simulated role names none)."""

    by_hand = False

    def __init__(
        self,
        role: SupplyRole,
        dialect: Dialect,
        link: Link,
        *,
        resource: str = "",
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """Raises BenchError where the dialect cannot leave alone what the bench file wants left alone."""
        self._role = role
        self._dialect = dialect if link.identity is None else as_model(dialect, link.identity.text)
        self._link = link
        self._resource = resource or role.resource or ""
        self._monotonic = monotonic
        self._fed = False
        """Whether every look also sends what the communication watchdog waits for."""
        self._looks = Looks()
        self._meant: set[int] = set()
        """Outputs that are to be on: where a general switch comes after each one's own, the others are off first."""
        self._selected: set[int] = set()
        """Outputs that were selected when they were to be: those that exist."""
        self._trips = TripMemory()
        self._asked_at_attaching = Asked((), {})
        self._refuse_strangers(self._dialect)

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook; complete after `attach`."""
        return taking_part(self._role.name, self._link, self._dialect, self._resource, self._role.calibration_due)

    def can_protect(self, output: int, protection: Protection) -> bool:
        """Whether the dialect reaches that protection. A watchdog that would switch off a stranger's output is none."""
        del output
        if protection is Protection.WATCHDOG:
            strangers = self._role.leave_alone and self._dialect.watchdog_scope == "all"
            return can_tell(self._dialect, STATE[protection]) and not strangers
        return can_tell(self._dialect, LEVEL[protection])

    def outputs(self) -> Sequence[int]:
        """Outputs the bench file gives to inputs, plus those to be left alone."""
        fed = set(self._role.outputs.values()) or {1}
        return sorted(fed | set(self._role.leave_alone))

    def attach(self) -> Pending[Attached]:
        """Identify and empty the error queue. Changes nothing. The Pending raises BenchError for another instrument."""
        return attach(self._link, self._dialect, self._role.expected, self)

    def adopt(self, model: Dialect) -> Sequence[Message]:
        """Speak to this model from now on; return what asking for errors, or asking itself, would clear.

        Raises BenchError for outputs that this model does not have, and for those that it cannot leave alone.
        """
        self._refuse_strangers(model)
        missing = [output for output in self.outputs() if model.outputs and output > model.outputs]
        if missing:
            raise BenchError(
                f"the bench file speaks of output {missing[0]} of the {self._role.name}, which has {model.outputs}",
                "Correct `outputs` and `leave_alone` in the bench file. Nothing was changed.",
            )
        self._dialect = model
        names = asked_first(model, registers=True)
        self._asked_at_attaching = questions(model, [(name, output) for output in self.outputs() for name in names])
        return self._asked_at_attaching.messages

    def heard(self, replies: tuple[Reply, ...]) -> tuple[Trouble, ...]:
        """Remember the trips that asking has cleared, and return what was cleared."""
        by_output = replies_by_output(self._dialect, self._asked_at_attaching.at, replies)
        for each in by_output:
            self._trips.note(self._dialect, each)
        return tuple(trouble for each in by_output for trouble in cleared_by_attaching(each))

    def _refuse_strangers(self, dialect: Dialect) -> None:
        together = dialect.output_scope == "all" or "master" in dialect.operations
        if self._role.leave_alone and together:
            raise BenchError(
                f"the bench file wants outputs {', '.join(map(str, self._role.leave_alone))} left alone, "
                f"but with the dialect {dialect.name} one switch serves all outputs",
                "Take `leave_alone` out of the bench file and unplug what must not be switched, or use another supply.",
            )

    # settings

    def settings(self, output: int) -> Pending[OutputSettings]:
        """Read set points, protections and output state; the first time also whether that output is selected at all."""
        dialect = self._dialect
        names = (*SETTINGS, *asked_first(dialect), *(() if output in self._selected else ("select",)))
        asked = questions(dialect, [(name, output) for name in names], lead=self._feeding(output))
        looks = questions(dialect, [("error", output), ("other_error", output)]).messages
        count = len(asked.messages)

        def read(replies: tuple[Reply, ...]) -> OutputSettings:
            heard = self._heard(asked, replies[:count], output)
            self._trips.note(dialect, heard)
            found = settings(heard, replies[:count], replies[count:])
            if at := asked.at.get(("select", output)):
                found = replace(found, troubles=(*found.troubles, *not_selected(dialect, output, replies[at])))
            if not any(trouble.wrong for trouble in found.troubles):
                self._selected.add(output)
            return found

        return self._link.submit((*asked.messages, *looks)).then(read)

    def pace(self, answer: float) -> float:
        """Take in how long one answer takes; a slow supply's looks ask less each. Returns the seconds of a look."""
        return self._looks.pace(self._dialect, answer)

    def set_voltage(self, output: int, volts: float) -> Pending[Done]:
        """Set the level."""
        return self._set(output, "set_voltage", value=volts)

    def set_current_limit(self, output: int, amps: float) -> Pending[Done]:
        """Set the current limit."""
        return self._set(output, "set_current_limit", value=amps)

    def set_protection(
        self, output: int, protection: Protection, level: float | None, delay: float = 0.0
    ) -> Pending[Done]:
        """Set and enable a protection, delay first; `level` None disables it. A batch for each setting.

        The read-back is that of the level, `on` that of the enabling.
        """
        state = STATE[protection]
        if protection is Protection.WATCHDOG:
            self._fed = level is not None and can_tell(self._dialect, "refresh_watchdog")
        if level is None:
            return self._set(output, state, on=False)
        known = can_tell(self._dialect, LEVEL[protection])
        steps = [lambda: self._set(output, LEVEL[protection], value=level)] if known else []
        if can_tell(self._dialect, state):
            steps.append(lambda: self._set(output, state, on=True).then(lambda done: replace(done, readback=None)))
        if protection is Protection.OVER_CURRENT and can_tell(self._dialect, "set_over_current_delay"):
            first = self._set(output, "set_over_current_delay", value=delay)
            return one_by_one(first.then(lambda done: replace(done, readback=None)), steps, self._dialect.timeout)
        untold = (Trouble("", f"{self._dialect.name} has no delay for {protection} protection"),) if delay else ()
        first = steps[0]().then(lambda done: joined(Done(troubles=untold), done))
        return one_by_one(first, steps[1:], self._dialect.timeout)

    def set_remote_sense(self, output: int, remote: bool) -> Pending[Done]:
        """Choose where the supply senses; a Trouble if the dialect cannot."""
        return self._set(output, "set_remote_sense", on=remote)

    def clear_trip(self, output: int) -> Pending[Done]:
        """Clear a tripped protection; `on` is what the output is afterwards."""
        everyone = "clear_trip" in self._dialect.operations and clears_every_trip(self._dialect)
        if everyone and self._role.leave_alone:
            text = "the supply can only clear the trips of all outputs, also of those to be left alone: not done"
            return settled(Done(troubles=(Trouble("", text, wrong=True),)))

        def cleared(done: Done) -> Done:
            if done.faultless:
                self._trips.forget(None if everyone else output)
            return done

        return self._set(output, "clear_trip", check="switch").then(cleared)

    # switching

    def switch(self, output: int, on: bool) -> Pending[Done]:
        """Switch one output and ask what it is now. With a general switch, on is both, and off is both."""
        if not on:
            self._link.hurry()
        if not can_tell(self._dialect, "master"):
            return self._set(output, "switch", on=on)
        if on:
            self._meant.add(output)
            return switch_on(self._dialect, self._set, output, self._meant)
        self._meant.discard(output)
        return self._set(output, "switch", on=False) if self._meant else self._switch_off((output,))

    def all_off(self) -> Pending[Done]:
        """Every output off except those to be left alone: all are told first, then asked."""
        self._link.hurry()
        self._meant.clear()
        ours = [output for output in self.outputs() if output not in self._role.leave_alone]
        return self._switch_off(ours) if ours else settled(Done(on=False))

    def _switch_off(self, outputs: Sequence[int]) -> Pending[Done]:
        parts, asked = switching_off(self._dialect, outputs, spare=bool(self._role.leave_alone))
        before, told = apart(self._link, self._dialect, parts)

        def read(said: Told) -> Done:
            states = [
                Heard(self._dialect, output, {name: said.checks[index]}).state(name)
                for (name, output), index in asked.at.items()
            ]
            earlier = (trouble for each in before if each.done for trouble in faults_in(each.value()))
            return Done(on=either(states), troubles=(*earlier, *said.troubles))

        return self._tell(told, asked.messages, outputs).then(read)

    def poll(self, output: int) -> Pending[PollSample]:
        """Look at one output in one batch. Never raises: a silent supply is a sample with a fault."""
        names = self._looks.of(self._dialect, output)
        asked = questions(self._dialect, [(name, output) for name in names], lead=self._feeding(output))

        def read(replies: tuple[Reply, ...]) -> PollSample:
            heard = self._heard(asked, replies, output)
            return sample(heard, self._trips.note(self._dialect, heard), asked.answers(replies), self._monotonic())

        return self._link.submit(asked.messages).then(read)

    def close(self) -> None:
        """Let go of the link; outputs stay as they are."""
        self._link.close()

    # messages

    def _heard(self, asked: Asked, replies: Sequence[Reply], output: int) -> Heard:
        return Heard(self._dialect, output, asked.heard(replies, output))

    def _feeding(self, output: int) -> tuple[Message, ...]:
        return spell(self._dialect, "refresh_watchdog", output=output) if self._fed else ()

    def _set(self, output: int, operation: str, *, check: str = "", **values: float | bool) -> Pending[Done]:
        """Tell one setting to one output, look for errors, read it back. Some clear a trip by asking for it."""
        dialect = self._dialect
        by_asking = operation == "clear_trip" and can_ask(dialect, operation)
        if not can_tell(dialect, operation) and not by_asking:
            text = f"the dialect {dialect.name} has no word for {operation.replace('_', ' ')}"
            return settled(Done(troubles=(Trouble("", text),)))
        check, entry = check or operation, dialect.operations[operation]
        sends = (*selection(dialect, output), *spell(dialect, operation, output=output, **values))
        if not entry.send:
            sends += (ask(dialect, operation, output=output),)
        asked = [check] if can_ask(dialect, check) else []
        checks = [ask(dialect, name, output=output) for name in asked]
        if can_ask(dialect, "select"):
            checks.append(ask(dialect, "select"))
        told = self._tell(sends, checks, (output,), ignored=entry.ignore_errors)
        return told.then(lambda said: self._done(output, asked, said))

    def _tell(
        self,
        sends: Sequence[Message],
        checks: Sequence[Message],
        outputs: Sequence[int],
        *,
        ignored: Sequence[int] = (),
    ) -> Pending[Told]:
        """Send, look for errors, ask. Trips that the look for errors would clear are asked before it."""
        names = asked_first(self._dialect)
        first = questions(self._dialect, [(name, output) for output in outputs for name in names])

        def noted(told: Told) -> Told:
            for heard in replies_by_output(self._dialect, first.at, told.first):
                self._trips.note(self._dialect, heard)
            return told

        told = tell(self._link, self._dialect, sends, checks, first=first.messages, ignored=ignored)
        return told.then(noted) if first.messages else told

    def _done(self, output: int, asked: Sequence[str], told: Told) -> Done:
        """Read the read-back, and whether the output that was meant is the one that is selected."""
        replies, troubles = list(told.checks), told.troubles
        if can_ask(self._dialect, "select"):
            troubles = (*troubles, *not_selected(self._dialect, output, replies.pop()))
        if not asked:
            return Done(troubles=troubles)
        heard = Heard(self._dialect, output, dict(zip(asked, replies, strict=True)))
        number, on, unread = heard.readback(asked[0])
        return Done(number, on, (*troubles, *unread))
