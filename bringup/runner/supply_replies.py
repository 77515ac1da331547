"""What a supply's replies say: a look, its settings, a read-back. Replies by operation in, records out."""

from __future__ import annotations

from collections.abc import Sequence

from bringup.core.dialect import Dialect
from bringup.core.understanding import understand_output, understand_word
from bringup.runner.exchange import complaints, errors_in, faults_in
from bringup.runner.heard import HeardOfOne
from bringup.runner.records import PollSample, Reply
from bringup.runner.roles import OutputSettings, Protection, Trouble
from bringup.runner.supply_operations import LEVEL, STATE, SWITCHES, TRIPPED, answer_time


class Heard(HeardOfOne):
    """The replies that concern one output, read by the dialect."""

    def word(self, operation: str) -> str | None:
        """Read a word; None where it was not asked or is none."""
        reply = self.replies.get(operation)
        return None if reply is None else understand_word(self._dialect, operation, reply.line, self.which)

    def on(self) -> bool | None:
        """Whether power is at the output: its own switch, and the general one where there is one."""
        own = self.state("switch")
        return own if "master" not in self._dialect.operations else both(own, self.state("master"))

    def trips(self) -> list[Protection]:
        """Return the protections that say they have tripped."""
        return [each for each, name in TRIPPED.items() if self.state(name)]

    def readback(self, operation: str) -> tuple[float | None, bool | None, tuple[Trouble, ...]]:
        """Return number, on or off, and the Trouble of an answer that says neither."""
        reply = self.replies.get(operation)
        if reply is None or reply.line is None:
            return None, None, ()
        unread = (Trouble(reply.message.text, f"{reply.line!r} cannot be read back", wrong=True),)
        if operation in SWITCHES:
            on = self.state(operation)
            return None, on, unread if on is None else ()
        value = self.number(operation)
        return value.number, None, unread if value.number is None else ()


def both(one: bool | None, other: bool | None) -> bool | None:
    """Return whether both are on; None where that cannot be told."""
    if one is False or other is False:
        return False
    return None if one is None or other is None else True


def either(states: Sequence[bool | None]) -> bool | None:
    """Return whether one of them is on; None where none is and one cannot be told."""
    if True in states:
        return True
    return None if None in states or not states else False


def sample(heard: Heard, trips: Sequence[Protection], replies: Sequence[Reply], now: float) -> PollSample:
    """Return what a look saw. `trips`: also those that an earlier reading cleared. `now`: where nothing was heard."""
    volts, amps, on = heard.number("measure_voltage"), heard.number("measure_current"), heard.on()
    return PollSample(
        monotonic=replies[0].received if replies else now,
        output=heard.which,
        volts=volts.number,
        amps=amps.number,
        on=on,
        mode="off" if on is False else heard.word("mode"),
        set_volts=heard.number("set_voltage").number,
        set_amps=heard.number("set_current_limit").number,
        tripped=" and ".join(map(str, trips)) or None,
        fault=next((reply.fault for reply in replies if reply.fault is not None), None),
        over_range=bool(volts.over_range or amps.over_range),
        volts_raw=volts.raw,
        amps_raw=amps.raw,
        strays=tuple(stray for reply in replies for stray in reply.strays),
    )


def settings(heard: Heard, replies: Sequence[Reply], errors: Sequence[Reply]) -> OutputSettings:
    """Return set points, protections and state; None for a protection that is off or cannot be told."""
    sent = ", ".join(reply.message.text for reply in replies)
    off = tuple(each for each in LEVEL if heard.state(STATE[each]) is False)
    levels = {each: None if each in off else heard.number(name).number for each, name in LEVEL.items()}
    return OutputSettings(
        output=heard.which,
        volts=heard.number("set_voltage").number,
        amps=heard.number("set_current_limit").number,
        on=heard.on(),
        over_voltage=levels[Protection.OVER_VOLTAGE],
        over_current=levels[Protection.OVER_CURRENT],
        watchdog=levels[Protection.WATCHDOG],
        disabled=off,
        answer_takes=answer_time(replies),
        troubles=(*faults_in((*replies, *errors)), *_unread(heard), *complaints(sent, errors_in(errors))),
    )


def _unread(heard: Heard) -> tuple[Trouble, ...]:
    """Return a Trouble for each set point or state whose answer does not say it."""
    found = (heard.readback(name) for name in ("set_voltage", "set_current_limit", "switch", "master"))
    return tuple(trouble for _, _, troubles in found for trouble in troubles)


def not_selected(dialect: Dialect, output: int, reply: Reply) -> tuple[Trouble, ...]:
    """Return the Trouble of a supply that says that another output than this one is selected."""
    if reply.line is None or understand_output(dialect, reply.line) == output:
        return ()
    text = f"output {output} was to be selected, the supply says {reply.line!r}"
    return (Trouble(reply.message.text, text, wrong=True),)


def no_such_output(found: OutputSettings, called: str) -> str:
    """Say why there may be no such output: another one is selected, or nothing is told of it; '' where it is there."""
    why = next((trouble.text for trouble in found.troubles if trouble.wrong), "")
    told = (found.volts, found.amps, found.on)
    if not why and all(each is None for each in told):
        why = next((trouble.text for trouble in found.troubles if trouble.errors or trouble.fault), "")
    return f"the supply may have no {called}: {why}" if why else ""
