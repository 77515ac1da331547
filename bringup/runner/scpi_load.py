"""An electronic load that speaks through a Dialect (load_role.Load): the messages of an operation, and what came of it.

Where the dialect selects a channel before working on it, every batch begins with the selection, as with a supply.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from bringup.core.bench import LoadRole
from bringup.core.dialect import Dialect, Message, can_ask, can_tell, usable
from bringup.core.models import as_model
from bringup.core.spelling import ask, spell
from bringup.core.understanding import understand_mode, understand_number, understand_output, understand_switch
from bringup.errors import BenchError
from bringup.runner.exchange import Told, apart, attach, faults_in, one_by_one, settled, taking_part, tell
from bringup.runner.load_replies import LEVELS, LOOK, SETTINGS, TRIPS, HeardLoad, sample, settings
from bringup.runner.load_role import ChannelSettings, LoadSample
from bringup.runner.pending import Pending
from bringup.runner.protocols import Link
from bringup.runner.records import InstrumentInfo, Reply
from bringup.runner.roles import Attached, Done, Trouble
from bringup.runner.supply_replies import either
from bringup.runner.supply_requests import Asked, questions, selection, switching_off


class ScpiLoad:
    """One load over one Link. `resource` is where it was opened (a simulated role names none)."""

    def __init__(
        self,
        role: LoadRole,
        dialect: Dialect,
        link: Link,
        *,
        resource: str = "",
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        known = link.identity
        self._role = role
        self._dialect = dialect if known is None else as_model(dialect, known.text)
        self._link = link
        self._resource = resource or role.resource or ""
        self._monotonic = monotonic
        self._seen: dict[int, set[str]] = {}
        """Trips that asking may have cleared, until they are cleared by our own word."""
        self._at_attaching = Asked((), {})
        self._modes: dict[int, str] = {}
        """Channel -> the mode that it was told last: of the levels, a look asks that one."""

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook; complete after `attach`."""
        return taking_part("load", self._link, self._dialect, self._resource, self._role.calibration_due)

    def channels(self) -> Sequence[int]:
        """Channels that the bench file gives to points of the board."""
        return sorted(set(self._role.channels.values()))

    def modes(self) -> Sequence[str]:
        """What it can hold constant."""
        return tuple(self._dialect.modes)

    def can_stop(self, mode: str) -> bool:
        """Whether it has a stop voltage that counts in that mode."""
        return usable(self._dialect, "set_stop_voltage", mode)

    # attaching

    def attach(self) -> Pending[Attached]:
        """Identify and empty the error queue. Changes nothing. The Pending raises BenchError for another instrument."""
        return attach(self._link, self._dialect, self._role.expected, self)

    def adopt(self, model: Dialect) -> Sequence[Message]:
        """Speak to this model from now on; return the trip queries that asking for errors, or asking, would clear.

        Raises BenchError for channels that this model does not have.
        """
        missing = [channel for channel in self.channels() if model.outputs and channel > model.outputs]
        if missing:
            raise BenchError(
                f"the bench file speaks of channel {missing[0]} of the load, which has {model.outputs}",
                "Correct `channels` in the bench file. Nothing was changed.",
            )
        self._dialect = model
        self._at_attaching = self._trip_questions(registers=True)
        return self._at_attaching.messages

    def heard(self, replies: tuple[Reply, ...]) -> tuple[Trouble, ...]:
        """Remember the trips that asking has cleared, and return what they were, for the logbook."""
        found = []
        for channel in self.channels():
            heard = HeardLoad(self._dialect, channel, self._at_attaching.heard(replies, channel))
            if tripped := self._note(heard):
                sent = " and ".join(dict.fromkeys(reply.message.text for reply in heard.replies.values()))
                found.append(
                    Trouble(sent, f"asking may have cleared a trip of channel {channel}: {', '.join(tripped)}")
                )
        return tuple(found)

    # settings

    def settings(self, channel: int) -> Pending[ChannelSettings]:
        """Read mode, level, stop voltage and whether the input is on, after trips that asking for errors clears."""
        dialect = self._dialect
        first = self._trip_names()
        asked = questions(dialect, [(name, channel) for name in (*SETTINGS, *first)])
        looks = questions(dialect, [("error", channel), ("other_error", channel)]).messages
        count = len(asked.messages)

        def read(replies: tuple[Reply, ...]) -> ChannelSettings:
            heard = HeardLoad(dialect, channel, asked.heard(replies[:count], channel))
            self._note(heard)
            return settings(heard, replies[:count], replies[count:])

        return self._link.submit((*asked.messages, *looks)).then(read)

    def sense(self, channel: int) -> Pending[Done]:
        """Sense where the bench file says. One that cannot choose senses at its terminals."""
        remote = self._role.remote_sense
        if not can_tell(self._dialect, "set_remote_sense"):
            return self._cannot("remote sense") if remote else settled(Done())

        def compared(said: Told) -> Done:
            known = can_ask(self._dialect, "set_remote_sense")
            found = (
                understand_switch(self._dialect, "set_remote_sense", said.checks[0].line, channel) if known else None
            )
            wanted = "at the board, not at its terminals" if remote else "at its terminals, not at the board"
            wrong = () if found is remote or (found is None and not remote and not known) else (wanted,)
            told = tuple(Trouble("", f"it is to sense {text}, and does not say so", wrong=True) for text in wrong)
            return Done(on=found, troubles=(*said.troubles, *told, *self._astray(channel, said)))

        return self._told(channel, "set_remote_sense", on=remote).then(compared)

    def set_mode(self, channel: int, mode: str) -> Pending[Done]:
        """Choose what is held constant."""
        if mode not in self._dialect.modes:
            return self._cannot(f"constant {mode}")
        self._modes[channel] = mode

        def compared(said: Told) -> Done:
            found = understand_mode(self._dialect, said.checks[0].line) if said.checks else None
            text = f"it was told constant {mode}, and says constant {found}" if found else "it does not say its mode"
            wrong = () if found == mode else (Trouble("", text, wrong=True),)
            return Done(troubles=(*said.troubles, *wrong, *self._astray(channel, said)))

        return self._told(channel, "set_mode", mode=mode).then(compared)

    def set_range(self, channel: int, mode: str, level: float) -> Pending[Done]:
        """Choose the range of a mode for a level; nothing where there is none."""
        name = f"set_{mode}_range"
        return self._set(channel, name, level) if can_tell(self._dialect, name) else settled(Done())

    def set_level(self, channel: int, mode: str, level: float) -> Pending[Done]:
        """Set the level of a mode."""
        return self._set(channel, LEVELS[mode], level)

    def set_stop_voltage(self, channel: int, mode: str, volts: float) -> Pending[Done]:
        """Set the voltage below which it stops drawing."""
        return self._set(channel, "set_stop_voltage", volts) if self.can_stop(mode) else self._cannot("a stop voltage")

    def can_protect(self, protection: str) -> bool:
        """Whether 'over_current' or 'over_power' has a level that can be set."""
        return can_tell(self._dialect, f"set_{protection}")

    def set_protection(self, channel: int, protection: str, level: float) -> Pending[Done]:
        """Set the level of a protection, then enable it where that is told apart."""
        first, state = self._set(channel, f"set_{protection}", level), f"{protection}_state"
        if not can_tell(self._dialect, state):
            return first
        enabling = lambda: self._told(channel, state, on=True).then(lambda said: self._switched(channel, said, state))  # noqa: E731
        return one_by_one(first, [enabling], self._dialect.timeout)

    def clear_trip(self, channel: int) -> Pending[Done]:
        """Clear a tripped protection; `on` is what the input is afterwards."""
        if not can_tell(self._dialect, "clear_trip"):
            return self._cannot("clearing a trip")

        def cleared(said: Told) -> Done:
            done = self._switched(channel, said)
            if done.faultless:
                self._seen.pop(channel, None)
            return done

        return self._told(channel, "clear_trip", check="switch").then(cleared)

    # switching

    def switch(self, channel: int, on: bool) -> Pending[Done]:
        """Switch one input and ask what it is now."""
        return self._told(channel, "switch", on=on).then(lambda said: self._switched(channel, said))

    def all_off(self) -> Pending[Done]:
        """Every channel of ours off: all are told first, then asked. Others are spared."""
        channels = self.channels()
        if not channels:
            return settled(Done(on=False))
        parts, asked = switching_off(self._dialect, channels, spare=True)
        before, told = apart(self._link, self._dialect, parts)
        first = self._trip_questions()

        def read(said: Told) -> Done:
            self._note_all(first, said)
            states = [
                understand_switch(self._dialect, name, said.checks[index].line, channel)
                for (name, channel), index in asked.at.items()
            ]
            earlier = (trouble for each in before if each.done for trouble in faults_in(each.value()))
            return Done(on=either(states), troubles=(*earlier, *said.troubles))

        return tell(self._link, self._dialect, told, asked.messages, first=first.messages).then(read)

    # looking

    def poll(self, channel: int) -> Pending[LoadSample]:
        """Look at one channel in one batch. Never raises: a silent load is a sample with a fault."""
        mode = self._modes.get(channel)
        names = LOOK if mode is None else [name for name in LOOK if name == LEVELS[mode] or name not in LEVELS.values()]
        asked = questions(self._dialect, [(name, channel) for name in names])

        def read(replies: tuple[Reply, ...]) -> LoadSample:
            heard = HeardLoad(self._dialect, channel, asked.heard(replies, channel))
            return sample(heard, self._note(heard), replies, self._monotonic())

        return self._link.submit(asked.messages).then(read)

    def close(self) -> None:
        """Let go of the link; inputs stay as they are."""
        self._link.close()

    # messages

    def _cannot(self, what: str) -> Pending[Done]:
        text = f"the dialect {self._dialect.name} has no word for {what}"
        return settled(Done(troubles=(Trouble("", text, wrong=True),)))

    def _set(self, channel: int, operation: str, value: float) -> Pending[Done]:
        """Tell one number, look for errors, read it back."""

        def compared(said: Told) -> Done:
            astray = self._astray(channel, said)
            if not can_ask(self._dialect, operation):
                return Done(troubles=(*said.troubles, *astray))
            reply = said.checks[0]
            found = understand_number(self._dialect, operation, reply.line)
            unread = found.number is None and reply.line is not None
            wrong = (Trouble(reply.message.text, f"{reply.line!r} cannot be read back", wrong=True),) if unread else ()
            return Done(found.number, None, (*said.troubles, *wrong, *astray))

        return self._told(channel, operation, value=value).then(compared)

    def _told(self, channel: int, operation: str, *, check: str = "", **values: float | bool | str) -> Pending[Told]:
        """Tell one channel one thing; the check comes first in what is asked, then which channel is selected."""
        dialect, check = self._dialect, check or operation
        sends = (*selection(dialect, channel), *spell(dialect, operation, output=channel, **values))
        checks = [ask(dialect, check, output=channel)] if can_ask(dialect, check) else []
        if can_ask(dialect, "select"):
            checks.append(ask(dialect, "select"))
        ignored = dialect.operations[operation].ignore_errors
        first = self._trip_questions()

        def noted(said: Told) -> Told:
            self._note_all(first, said)
            return said

        told = tell(self._link, dialect, sends, checks, first=first.messages, ignored=ignored)
        return told.then(noted) if first.messages else told

    def _switched(self, channel: int, said: Told, what: str = "switch") -> Done:
        known = can_ask(self._dialect, what)
        on = understand_switch(self._dialect, what, said.checks[0].line, channel) if known else None
        return Done(on=on, troubles=(*said.troubles, *self._astray(channel, said)))

    def _astray(self, channel: int, said: Told) -> tuple[Trouble, ...]:
        """Return the Trouble of a channel that was meant and is not the one selected."""
        if not can_ask(self._dialect, "select"):
            return ()
        selected = said.checks[-1]
        if selected.line is None or understand_output(self._dialect, selected.line) == channel:
            return ()
        text = f"channel {channel} was to be selected, the load says {selected.line!r}"
        return (Trouble(selected.message.text, text, wrong=True),)

    def _trip_names(self, *, registers: bool = False) -> tuple[str, ...]:
        """Return the trips to ask before a look for errors, which would clear them; `registers`: event ones as well."""
        known = self._dialect.operations
        by_errors = any(known[name].clears_trips for name in ("error", "other_error") if name in known)
        return tuple(
            name for name in TRIPS if name in known and (by_errors or (registers and known[name].clears_when_read))
        )

    def _trip_questions(self, *, registers: bool = False) -> Asked:
        names = self._trip_names(registers=registers)
        return questions(self._dialect, [(name, channel) for channel in self.channels() for name in names])

    def _note_all(self, asked: Asked, said: Told) -> None:
        """Keep the trips that a look for errors has cleared, or would."""
        for each in self.channels() if asked.messages else ():
            self._note(HeardLoad(self._dialect, each, asked.heard(said.first, each)))

    def _note(self, heard: HeardLoad) -> tuple[str, ...]:
        """Keep its trips, and return every one that was ever seen, until it is cleared by our own word."""
        seen = self._seen.setdefault(heard.which, set())
        seen.update(heard.trips())
        return tuple(words for words in TRIPS.values() if words in seen)
