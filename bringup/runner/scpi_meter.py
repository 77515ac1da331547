"""A meter that speaks SCPI (roles.Meter): configured once per function and range, then asked for fresh readings.

What was configured is remembered, and forgotten whenever the link failed: the instrument that answers afterwards may
have been switched off and on meanwhile.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bringup.core.bench import MeterRole
from bringup.core.dialect import Dialect, Message, configuring
from bringup.core.limits import Limits
from bringup.core.reading_time import USUAL_NPLC, Fixed, Setting, Sureness, choose
from bringup.core.replies import Value
from bringup.core.specification import Specification
from bringup.core.understanding import understand_number
from bringup.runner.exchange import (
    DRAIN_TIME,
    attach,
    complaints,
    errors_in,
    faults_in,
    more_errors,
    settled,
    taking_part,
)
from bringup.runner.meter_requests import HowToRead, reading, said_otherwise, setup
from bringup.runner.pending import Pending
from bringup.runner.protocols import Link
from bringup.runner.records import InstrumentInfo, LinkFault, Reply
from bringup.runner.roles import Attached, Function, Trouble

Taken = tuple[Value, tuple[Trouble, ...]]
Configured = tuple[Function, float | None, bool, float]
"""Function, full scale, whether with the high input impedance, power-line cycles."""
Said = tuple[tuple[Message, ...], tuple[Message, ...]]
"""What sets the meter up, and what takes one reading."""


class ScpiMeter:
    """One meter over one Link. `resource` is where it was opened (a simulated role names none)."""

    by_hand = False

    def __init__(
        self,
        role: MeterRole,
        dialect: Dialect,
        link: Link,
        *,
        resource: str = "",
        nplc: float = USUAL_NPLC,
        high_impedance: bool = False,
    ) -> None:
        """`high_impedance`, or the bench file's: DC volts with an input above 10 gigohm where the meter has it.

        An open probe and a discharged board need 10 megohm: a floating input reads whatever it picked up. So where
        nothing is powered (`dead`) it is 10 megohm in any case.
        """
        self._role = role
        self._dialect = dialect
        self._link = link
        self._resource = resource or role.resource or ""
        self._choices: dict[tuple[Function, float | None, Limits | None, Fixed | None], Setting] = {}
        self._how = HowToRead(nplc, high_impedance or role.high_impedance)
        self._configured: Configured | None = None
        self._told: Function | None = None
        """The last function it was told, which no error or answer denied; None: nobody knows."""
        self._said: dict[Configured, Said] = {}
        """What was spelt before: a reading is taken thousands of times."""
        self._faults = 0
        """How often the link has failed: a reading that relied on a set-up from before a failure is none."""

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook; complete after `attach`."""
        return taking_part("meter", self._link, self._dialect, self._resource, self._role.calibration_due)

    def attach(self) -> Pending[Attached]:
        """Identify and empty the error queue. Changes nothing. The Pending raises BenchError for another instrument."""
        return attach(self._link, self._dialect, self._role.expected, self)

    def adopt(self, model: Dialect) -> Sequence[Message]:
        """Speak to this model from now on."""
        self._dialect = model
        self._said.clear()
        return ()

    def heard(self, replies: tuple[Reply, ...]) -> tuple[Trouble, ...]:
        """Nothing has to be asked of a meter before its errors."""
        del replies
        return ()

    def read(
        self,
        function: Function,
        *,
        around: float | None = None,
        limits: Limits | None = None,
        point: str = "",
        move: str = "",
        dead: bool = False,
        keys: str = "",
        fixed: Fixed | None = None,
    ) -> Pending[Taken]:
        """Take one fresh reading. Silence, garbage or a refused set-up give no value and the Trouble that says why."""
        del point, move, keys
        if function.value not in self._dialect.functions:
            why = f"the dialect {self._dialect.name} has no word for {function.value}"
            return settled((Value(None, "", why=why), (Trouble("", why),)))
        high = self._how.high_impedance and not dead and function is Function.DC_VOLTS
        chosen = self._chosen(function, around, limits, fixed)
        asked = (function, chosen.full_scale, high, chosen.nplc)
        if configuring(self._dialect, function.value, fixed=chosen.full_scale is not None) is None:
            why = f"the dialect {self._dialect.name} does not say how {function.value} is set up"
            return settled((Value(None, "", why=why), (Trouble("", why),)))
        faults = self._faults
        taken = self._take(asked)
        return taken.chain(lambda replies: self._judge(asked, replies, faults, again=True), self._again_within(asked))

    def to_volts(self) -> Pending[tuple[str, tuple[Trouble, ...]]]:
        """Set it to DC volts, range automatic, unless volts were the last that it was told and took."""
        volts = Function.DC_VOLTS
        if self._told is volts:
            return settled(("", ()))
        if configuring(self._dialect, volts.value, fixed=False) is None:
            why = f"the dialect {self._dialect.name} does not say how {volts.value} is set up"
            return settled((why, (Trouble("", why),)))
        sends = setup(self._dialect, volts.value, None, replace(self._how, high_impedance=False))
        self._told = self._configured = None

        def took(
            replies: tuple[Reply, ...], lost: tuple[Trouble, ...] = ()
        ) -> Pending[tuple[str, tuple[Trouble, ...]]]:
            errors, troubles = errors_in(replies), (*lost, *faults_in(replies))
            otherwise = said_otherwise(self._dialect, volts.value, replies)
            fault = next((reply for reply in replies if reply.fault is not None), None)
            if fault is not None:
                self._faults += 1
                if fault.fault is LinkFault.LOST and not lost:
                    # Many instruments drop a link that was idle, and volts told twice are volts.
                    return self._link.submit(sends).chain(lambda second: took(second, troubles), DRAIN_TIME)
                return settled((fault.why or str(fault.fault), troubles))
            if errors:
                sent = ", then ".join(reply.message.text for reply in replies if reply.message.expects is None)
                return more_errors(self._link, self._dialect, errors).then(
                    lambda found: (f"the meter refused {sent}", (*troubles, *complaints(sent, found)))
                )
            if otherwise:
                return settled((otherwise, (*troubles, Trouble("", otherwise, wrong=True))))
            self._told, self._configured = volts, (volts, None, False, self._how.nplc)
            return settled(("", troubles))

        return self._link.submit(sends).chain(took, DRAIN_TIME + 4 * self._dialect.timeout)

    def close(self) -> None:
        """Let go of the link."""
        self._link.close()

    # asking

    def _chosen(self, function: Function, around: float | None, limits: Limits | None, fixed: Fixed | None) -> Setting:
        """Return range and integration time: by what the limits ask for, where the bench file says what that takes."""
        key = (function, around, limits, fixed)
        if (known_choice := self._choices.get(key)) is not None:
            return known_choice
        stated = self._role.accuracy
        table = stated if isinstance(stated, Specification) else None
        known = Sureness(table, self._role.integrations, self._role.test_ratio)
        ranges = self._dialect.ranges.get(function.value, ())
        chosen = choose(function.value, around, limits, ranges, known, self._how.nplc, fixed)
        self._choices[key] = chosen
        return chosen

    def _take(self, wanted: Configured) -> Pending[tuple[Reply, ...]]:
        before, asked = self._messages(wanted)
        if self._configured == wanted:
            before = ()
        # Counts from now on: a second reading may be asked for before this one has come. A failure takes it back.
        self._configured = wanted
        if before:
            self._told = wanted[0]
        return self._link.submit((*before, *asked))

    def _messages(self, wanted: Configured) -> Said:
        if (said := self._said.get(wanted)) is None:
            function, full_scale, high, nplc = wanted
            how = replace(self._how, high_impedance=high, nplc=nplc)
            told = tuple(setup(self._dialect, function.value, full_scale, how))
            said = self._said[wanted] = (told, reading(self._dialect, function.value, how))
        return said

    def _again_within(self, wanted: Configured) -> float:
        """Seconds on top for a second try after a lost link, set-up and all, and for emptying the error queue."""
        told, asked = self._messages(wanted)
        return sum([message.timeout for message in (*told, *asked)]) + self._dialect.timeout + DRAIN_TIME

    # what came

    def _judge(self, wanted: Configured, replies: tuple[Reply, ...], faults: int, *, again: bool) -> Pending[Taken]:
        count = len(self._messages(wanted)[1])
        unsure = faults != self._faults and len(replies) == count
        fault = next((reply.fault for reply in replies if reply.fault is not None), None)
        if fault is not None:
            self._configured = None
            if len(replies) > count:
                self._told = None  # perhaps nothing of the set-up was carried out
            self._faults += 1
        if again and (fault is LinkFault.LOST or (unsure and fault is None)):
            # Many instruments drop a link that was idle, and what only tells looks sent until the first answer is due.
            # A set-up carried out twice is the same set-up; nothing that came before it is taken for the reading.
            lost = faults_in(replies)
            faults = self._faults
            taken = self._take(wanted).chain(
                lambda second: self._judge(wanted, second, faults, again=False), DRAIN_TIME
            )
            return taken.then(lambda value: (value[0], (*lost, *value[1])))
        prepared, taken_last = replies[:-count], replies[-1]
        errors = errors_in(prepared)
        if unsure and fault is None:
            why = "the link to the meter failed between its set-up and this reading"
            return settled((Value(None, taken_last.line or "", why=why), faults_in(replies)))
        refused = next((reply for reply in replies if reply.fault is LinkFault.REFUSED), None)
        if refused is not None:
            why = f"the meter refused {refused.message.text}"
            return settled((Value(None, "", why=why), faults_in(replies)))
        otherwise = said_otherwise(self._dialect, wanted[0].value, prepared)
        if otherwise and not errors:
            self._configured = self._told = None
            return settled(
                (
                    Value(None, taken_last.line or "", why=otherwise),
                    (*faults_in(replies), Trouble("", otherwise, wrong=True)),
                )
            )
        if not errors:
            return settled((self._value(taken_last, wanted), faults_in(replies)))
        self._configured = self._told = None
        sent = ", then ".join(reply.message.text for reply in prepared if reply.message.expects is None)
        return more_errors(self._link, self._dialect, errors).then(
            lambda found: (
                Value(None, taken_last.line or "", why=f"the meter refused {sent}"),
                (*faults_in(replies), *complaints(sent, found)),
            )
        )

    def _value(self, reply: Reply, wanted: Configured) -> Value:
        if reply.fault is not None:
            return Value(None, "", why=reply.why or reply.fault.value)
        value = understand_number(self._dialect, "read", reply.line, reply.message.unit)
        return replace(value, received=reply.received, full_scale=wanted[1], nplc=wanted[3])
