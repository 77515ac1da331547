"""A supply that speaks SCPI (roles.Supply): which messages an operation takes in a Dialect, and what came of them.

Where the dialect selects an output before working on it, every batch begins with the selection: nothing relies on an
earlier one, since a hand at the front panel may have changed it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from bringup.core.bench import SupplyRole
from bringup.core.dialect import (
    Dialect,
    Message,
    ask,
    can_ask,
    can_tell,
    names_output,
    spell,
    understand_number,
    understand_switch,
    understand_word,
)
from bringup.core.replies import Value, read_integer
from bringup.runner.exchange import Told, attach, complaints, errors_in, faults_in, joined, one_by_one, settled, tell
from bringup.runner.pending import Pending
from bringup.runner.protocols import Link
from bringup.runner.records import InstrumentInfo, PollSample, Reply
from bringup.runner.roles import Attached, Done, OutputSettings, Protection, Trouble
from bringup.runner.supply_operations import LEVEL, SETTINGS, STATE, TRIPPED, Looks, answer_time, leaves_alone


class ScpiSupply:
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
        self._dialect = dialect
        self._link = link
        self._resource = resource or role.resource or ""
        self._monotonic = monotonic
        self._fed = False
        """Whether every look also sends what the communication watchdog waits for."""
        self._looks = Looks()
        leaves_alone(role, dialect)

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook; complete after `attach`."""
        identity = self._link.identity
        simulated = identity is not None and identity.simulated
        return InstrumentInfo(
            "supply", self._resource, self._dialect.name, identity, self._role.calibration_due, simulated, by_hand=False
        )

    def can_protect(self, protection: Protection) -> bool:
        """Whether the dialect reaches that protection. A watchdog that would switch off a stranger's output is none."""
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
        return attach(self._link, self._dialect, self._role.expected)

    def settings(self, output: int) -> Pending[OutputSettings]:
        """Read set points, protections and output state."""
        asked = self._askable(SETTINGS)
        return self._ask(output, asked, errors=True).then(lambda replies: self._settings(output, asked, replies))

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

    def switch(self, output: int, on: bool) -> Pending[Done]:
        """Switch one output and ask what it is now."""
        return self._set(output, "switch", on=on)

    def all_off(self) -> Pending[Done]:
        """Every output off except those to be left alone: all are told first, then asked."""
        dialect, entry = self._dialect, self._dialect.operations["all_off"]
        ours = [output for output in self.outputs() if output not in self._role.leave_alone]
        if not ours:
            return settled(Done(on=False))
        told: list[Message] = []
        asked: list[Message] = []
        for output in ours if self._each("all_off") else ours[:1]:
            if not names_output(*entry.send):
                told += self._select(output)
            told += spell(dialect, "all_off", output=output)
            if not names_output(entry.query):
                asked += self._select(output)
            asked.append(ask(dialect, "all_off", output=output))
        return tell(self._link, dialect, told, asked).then(self._all_off)

    def poll(self, output: int) -> Pending[PollSample]:
        """Look at one output in one batch. Never raises: a silent supply is a sample with a fault."""
        asked = self._looks.of(self._dialect, output)
        return self._ask(output, asked).then(lambda replies: self._sample(output, asked, replies))

    def clear_trip(self, output: int) -> Pending[Done]:
        """Clear a tripped protection; `on` is what the output is afterwards."""
        return self._set(output, "clear_trip", check="switch")

    def close(self) -> None:
        """Let go of the link; outputs stay as they are."""
        self._link.close()

    # messages

    def _each(self, operation: str) -> bool:
        """Whether the operation has to be done output by output."""
        entry = self._dialect.operations[operation]
        return self._dialect.output_scope == "each" and (
            "select" in self._dialect.operations or names_output(*entry.send, entry.query)
        )

    def _select(self, output: int) -> tuple[Message, ...]:
        return spell(self._dialect, "select", output=output) if can_tell(self._dialect, "select") else ()

    def _askable(self, operations: Sequence[str]) -> tuple[str, ...]:
        return tuple(name for name in operations if can_ask(self._dialect, name))

    def _ask(self, output: int, operations: Sequence[str], *, errors: bool = False) -> Pending[tuple[Reply, ...]]:
        """Ask these of an output, the selection first where one of them needs it; `errors`: the error queue last."""
        texts = [self._dialect.operations[name].query for name in operations]
        lead = () if all(names_output(text) for text in texts) else self._select(output)
        if self._fed:
            lead += spell(self._dialect, "refresh_watchdog", output=output)
        queries = [ask(self._dialect, name, output=output) for name in operations]
        if errors and can_ask(self._dialect, "error"):
            queries.append(ask(self._dialect, "error"))
        return self._link.submit((*lead, *queries)).then(lambda replies: replies[len(lead) :])

    def _set(self, output: int, operation: str, *, check: str = "", **values: float | bool) -> Pending[Done]:
        """Tell one setting to one output, look for errors, read it back."""
        if not can_tell(self._dialect, operation):
            text = f"the dialect {self._dialect.name} has no word for {operation.replace('_', ' ')}"
            return settled(Done(troubles=(Trouble("", text),)))
        check = check or operation
        sends = (*self._select(output), *spell(self._dialect, operation, output=output, **values))
        checks = [ask(self._dialect, check, output=output)] if can_ask(self._dialect, check) else []
        if can_ask(self._dialect, "select"):
            checks.append(ask(self._dialect, "select"))
        return tell(self._link, self._dialect, sends, checks).then(lambda told: self._done(output, check, told))

    # replies

    def _done(self, output: int, check: str, told: Told) -> Done:
        """Read the read-back, and whether the output that was meant is the one that is selected."""
        replies, troubles = list(told.checks), told.troubles
        if can_ask(self._dialect, "select"):
            selected = replies.pop()
            if selected.line is not None and read_integer(selected.line) != output:
                text = f"output {output} was to be selected, the supply says {selected.line!r}"
                troubles = (*troubles, Trouble(selected.message.text, text, wrong=True))
        if not replies:
            return Done(troubles=troubles)
        number, on, unread = self._readback(check, replies[0])
        return Done(number, on, (*troubles, *unread))

    def _readback(self, operation: str, reply: Reply) -> tuple[float | None, bool | None, tuple[Trouble, ...]]:
        if reply.line is None:
            return None, None, ()
        unread = (Trouble(reply.message.text, f"{reply.line!r} cannot be read back", wrong=True),)
        if operation in (*STATE.values(), "switch", "set_remote_sense"):
            on = understand_switch(self._dialect, operation, reply.line)
            return None, on, unread if on is None else ()
        value = understand_number(self._dialect, operation, reply.line)
        return value.number, None, unread if value.number is None else ()

    def _all_off(self, told: Told) -> Done:
        states = [
            understand_switch(self._dialect, "all_off", reply.line)
            for reply in told.checks
            if reply.message.expects is not None
        ]
        on = None if None in states else any(states)
        return Done(on=True if True in states else on, troubles=told.troubles)

    def _sample(self, output: int, asked: Sequence[str], replies: Sequence[Reply]) -> PollSample:
        by_name = dict(zip(asked, replies, strict=True))
        volts = self._number(by_name, "measure_voltage")
        amps = self._number(by_name, "measure_current")
        on = self._state(by_name, "switch")
        mode = self._word(by_name, "mode")
        tripped = [str(each) for each, name in TRIPPED.items() if self._state(by_name, name)]
        return PollSample(
            monotonic=replies[0].received if replies else self._monotonic(),
            output=output,
            volts=volts.number,
            amps=amps.number,
            on=on,
            mode="off" if on is False else mode,
            set_volts=self._number(by_name, "set_voltage").number,
            set_amps=self._number(by_name, "set_current_limit").number,
            tripped=" and ".join(tripped) or None,
            fault=next((reply.fault for reply in replies if reply.fault is not None), None),
            over_range=bool(volts.over_range or amps.over_range),
            volts_raw=volts.raw,
            amps_raw=amps.raw,
            strays=tuple(stray for reply in replies for stray in reply.strays),
        )

    def _settings(self, output: int, asked: Sequence[str], replies: Sequence[Reply]) -> OutputSettings:
        by_name = dict(zip(asked, replies, strict=False))
        sent = ", ".join(reply.message.text for reply in replies[: len(asked)])
        off = tuple(each for each in LEVEL if self._state(by_name, STATE[each]) is False)
        levels = {each: None if each in off else self._number(by_name, name).number for each, name in LEVEL.items()}
        return OutputSettings(
            output=output,
            volts=self._number(by_name, "set_voltage").number,
            amps=self._number(by_name, "set_current_limit").number,
            on=self._state(by_name, "switch"),
            over_voltage=levels[Protection.OVER_VOLTAGE],
            over_current=levels[Protection.OVER_CURRENT],
            watchdog=levels[Protection.WATCHDOG],
            disabled=off,
            answer_takes=answer_time(replies),
            troubles=(*faults_in(replies), *self._unread(by_name), *complaints(sent, errors_in(replies[len(asked) :]))),
        )

    def _unread(self, replies: dict[str, Reply]) -> tuple[Trouble, ...]:
        """Return a Trouble for each set point or state whose answer does not say it."""
        got = {name: self._number(replies, name).number for name in ("set_voltage", "set_current_limit")}
        got["switch"] = self._state(replies, "switch")
        return tuple(
            Trouble(replies[name].message.text, f"{replies[name].line!r} cannot be read back", wrong=True)
            for name, value in got.items()
            if value is None and name in replies and replies[name].line is not None
        )

    def _number(self, replies: dict[str, Reply], operation: str) -> Value:
        if operation not in replies:
            return Value(None, "", why="the dialect cannot ask it")
        return understand_number(self._dialect, operation, replies[operation].line)

    def _state(self, replies: dict[str, Reply], operation: str) -> bool | None:
        reply = replies.get(operation)
        return None if reply is None else understand_switch(self._dialect, operation, reply.line)

    def _word(self, replies: dict[str, Reply], operation: str) -> str | None:
        reply = replies.get(operation)
        return None if reply is None else understand_word(self._dialect, operation, reply.line)
