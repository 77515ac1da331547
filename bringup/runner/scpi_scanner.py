"""A scanner that speaks SCPI (roles.Scanner): break before make, every move of a relay asked after.

Which relays are closed is remembered, and forgotten whenever anything failed: the next move then opens all first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

from bringup.core.bench import ScannerRole
from bringup.core.channels import in_words, read_channels
from bringup.core.dialect import Dialect, Message, can_ask, can_tell
from bringup.core.replies import read_numbers
from bringup.core.spelling import ask, spell
from bringup.core.understanding import understand_switch
from bringup.runner.exchange import (
    DRAIN_TIME,
    attach,
    complaints,
    error_queries,
    errors_in,
    faults_in,
    more_errors,
    settled,
    taking_part,
)
from bringup.runner.pending import Pending
from bringup.runner.protocols import Link
from bringup.runner.records import InstrumentInfo, LinkFault, Reply
from bringup.runner.roles import Attached, Routed, Trouble

ASK_AGAIN, ASK_LATER, LONGER = 0.001, 0.05, 1.1
"""Seconds between two questions whether the relays have come to rest, beside what an answer takes: at first, at most,
and by how much longer each time."""
MOST_ASKED = 64
"""So often it is asked: 1.5 s and more, and the slowest relay takes a tenth of that."""
MOVES_WITHIN = 2 * (DRAIN_TIME + MOST_ASKED * ASK_LATER)
"""Seconds on top of the answers' own for opening, closing and waiting."""

Channels = frozenset[int]
Replies = tuple[Reply, ...]
NONE: Channels = frozenset()


class ScpiScanner:
    """One scanner over one Link, which may be that of the meter it is a card of."""

    def __init__(self, role: ScannerRole, dialect: Dialect, link: Link, *, resource: str = "") -> None:
        self._role = role
        self._dialect = dialect
        self._link = link
        self._resource = resource or role.resource or ""
        self._closed: Channels | None = None
        """What is closed; None: nobody knows."""
        self._ground = NONE if role.ground is None else frozenset({role.ground})
        self._mapped = frozenset(role.channels.values()) | self._ground

    @property
    def info(self) -> InstrumentInfo:
        """How it is named in the logbook; complete after `attach`."""
        return taking_part("scanner", self._link, self._dialect, self._resource, self._role.calibration_due)

    @property
    def settling(self) -> float:
        """Seconds from a relay that has moved to a reading."""
        return self._dialect.settling if self._role.settling is None else self._role.settling

    def reaches(self, point: str) -> bool:
        """Whether the bench file maps that point to a channel."""
        return point in self._role.channels

    def attach(self) -> Pending[Attached]:
        """Identify and empty the error queue. Moves no relay. The Pending raises BenchError for another instrument."""
        return attach(self._link, self._dialect, self._role.expected, self)

    def adopt(self, model: Dialect) -> Sequence[Message]:
        """Speak to this model from now on."""
        self._dialect = model
        return ()

    def heard(self, replies: tuple[Reply, ...]) -> tuple[Trouble, ...]:
        """Nothing has to be asked of a scanner before its errors."""
        del replies
        return ()

    def connect(self, point: str) -> Pending[Routed]:
        """Open what is closed, verify that, close the point's channel and ground's, verify that."""
        wanted = frozenset({self._role.channels[point]}) | self._ground
        if self._closed == wanted:
            return settled(Routed())
        return self._once_more(lambda: self._connect(wanted, point))

    def still(self, point: str) -> Pending[Routed]:
        """Ask what is closed; once more where the link turns out to be gone, for asking moves nothing."""
        wanted = frozenset({self._role.channels[point]}) | self._ground
        if self._closed != wanted:
            return settled(Routed(f"{point} is not known to be connected"))
        self._closed = None

        def asked(replies: Replies, before: tuple[Trouble, ...] = ()) -> Pending[Routed]:
            troubles = faults_in(replies)
            if replies[-1].fault is LinkFault.LOST and not before:
                return self._link.submit((self._state(),)).chain(lambda newer: asked(newer, troubles), DRAIN_TIME)
            routed = self._compared(replies[-1], troubles, wanted, point, resting=True, open_now="found open")
            return settled(replace(routed, troubles=(*before, *routed.troubles)))

        return self._link.submit((self._state(),)).chain(asked, DRAIN_TIME + self._answers())

    def open_all(self) -> Pending[Routed]:
        """Open every relay, those of the channel map by name where that is possible, and verify it."""
        return self._once_more(self._open_all)

    def close(self) -> None:
        """Let go of the link; a card lets go of nothing, for the link is the meter's."""
        if not self._role.in_meter:
            self._link.close()

    # moving

    def _once_more(self, move: Callable[[], Pending[Routed]]) -> Pending[Routed]:
        """Move; once more where the link turns out to be gone, as many instruments drop one that was idle.

        What is closed is unknown then, so the second try begins with opening all and verifying that.
        """

        def moved(first: Routed) -> Pending[Routed]:
            if not any(trouble.fault is LinkFault.LOST for trouble in first.troubles):
                return settled(first)
            return move().then(lambda second: replace(second, troubles=(*first.troubles, *second.troubles)))

        return move().chain(moved, 2 * (MOVES_WITHIN + self._answers()))

    def _connect(self, wanted: Channels, point: str) -> Pending[Routed]:
        if self._closed is None:
            opened = self._open_all()
        elif self._closed - wanted:
            opened = self._open(self._closed - wanted)
        else:
            opened = settled(Routed())
        return opened.chain(lambda done: self._close_after(done, wanted, point), MOVES_WITHIN + self._answers())

    def _open_all(self) -> Pending[Routed]:
        sends: list[Message] = []
        if can_tell(self._dialect, "open_all"):
            sends += spell(self._dialect, "open_all")
        if can_tell(self._dialect, "open"):
            sends += spell(self._dialect, "open", channels=tuple(sorted(self._mapped)))
        return self._move(tuple(sends), NONE, "")

    def _open(self, channels: Channels) -> Pending[Routed]:
        assert self._closed is not None, "whoever asks has looked"
        if not can_tell(self._dialect, "open"):
            sends = spell(self._dialect, "open_all")
            return self._move(sends, NONE, "", looks=False)
        sends = spell(self._dialect, "open", channels=tuple(sorted(channels)))
        return self._move(sends, self._closed - channels, "", looks=False)

    def _close_after(self, opened: Routed, wanted: Channels, point: str) -> Pending[Routed]:
        """Close what is wanted, once it is certain that nothing else is closed."""
        if opened.why or self._closed is None:
            return settled(opened)
        channels = tuple(sorted(wanted - self._closed))
        made = self._move(spell(self._dialect, "close", channels=channels), wanted, point)
        return made.then(lambda done: replace(done, troubles=(*opened.troubles, *done.troubles)))

    def _move(self, sends: Sequence[Message], wanted: Channels, point: str, *, looks: bool = True) -> Pending[Routed]:
        """Move relays, wait until they rest, look for errors, ask what is closed.

        Without `looks` an error is found at the next look: that the relays have opened is proved by asking them.
        """
        self._closed = None
        last = partial(self._look, sends, wanted, point, looks=looks)
        if not can_ask(self._dialect, "settled"):
            moved = self._link.submit(sends)
            return moved.chain(lambda replies: last(replies, resting=True), MOVES_WITHIN + self._answers())
        moved = self._link.submit((*sends, ask(self._dialect, "settled")))
        return moved.chain(lambda replies: self._rested(replies, last, MOST_ASKED), MOVES_WITHIN + self._answers())

    def _rested(self, replies: Replies, last: Callable[..., Pending[Routed]], left: int) -> Pending[Routed]:
        """Ask again while relays still move, then look at what they came to."""
        resting = understand_switch(self._dialect, "settled", replies[-1].line)
        if resting is not False or not left:
            return last(replies, resting=resting is True or replies[-1].fault is not None)
        again = ask(self._dialect, "settled")
        pause = min(ASK_LATER, ASK_AGAIN * LONGER ** (MOST_ASKED - left))
        asked = self._link.submit((replace(again, gap=again.gap + pause),))
        return asked.chain(lambda newer: self._rested((*replies[:-1], *newer), last, left - 1))

    def _look(
        self, sends: Sequence[Message], wanted: Channels, point: str, moved: Replies, *, resting: bool, looks: bool
    ) -> Pending[Routed]:
        errors = error_queries(self._dialect) if looks else ()
        sent = ", then ".join(message.text for message in sends)

        def asked(replies: Replies) -> Pending[Routed]:
            rested = moved[-1].received if can_ask(self._dialect, "settled") else replies[-1].received
            faults = (*faults_in(moved), *faults_in(replies))
            found = errors_in(replies[: len(errors)])
            drained = more_errors(self._link, self._dialect, found) if found else settled(found)
            return drained.then(
                lambda all_found: replace(
                    self._compared(
                        replies[-1], (*faults, *complaints(sent, all_found)), wanted, point, resting=resting
                    ),
                    rested=rested,
                )
            )

        return self._link.submit((*errors, self._state())).chain(asked, DRAIN_TIME)

    def _state(self) -> Message:
        if can_ask(self._dialect, "closed_channels"):
            return ask(self._dialect, "closed_channels")
        return ask(self._dialect, "channel_state", channels=tuple(sorted(self._mapped)))

    def _answers(self) -> float:
        return 4 * self._dialect.timeout

    def _compared(
        self,
        state: Reply,
        troubles: tuple[Trouble, ...],
        wanted: Channels,
        point: str,
        *,
        resting: bool,
        open_now: str = "did not close",
    ) -> Routed:
        """Compare what is closed with what was wanted. What is not certain is remembered as unknown."""
        refused = next((trouble for trouble in troubles if trouble.errors), None)
        fault = next((trouble for trouble in troubles if trouble.fault is not None), None)
        if fault is not None:
            # What was refused explains a question without an answer: asked for a channel it has not, many are silent.
            why = f"the scanner: {fault.text}" if refused is None else f"`{refused.sent}`: {refused.text}"
            return Routed(why, troubles=troubles, lost=True)
        closed = self._understood(state)
        if closed is None:
            why = f"the scanner does not say which channels are closed: {(state.line or '')[:40]!r}"
            return Routed(why, troubles=troubles, lost=True)
        if stuck := closed - wanted:
            return Routed(f"{in_words(stuck)} of the scanner did not open{_named(stuck, self._role)}", stuck, troubles)
        if not resting:
            return Routed(f"the relays of the scanner do not come to rest ({point or 'opening'})", NONE, troubles)
        self._closed = closed
        if refused is not None:
            return Routed(f"`{refused.sent}`: {refused.text}", troubles=troubles)
        if missing := wanted - closed:
            why = f"{in_words(missing)} of the scanner {open_now}{_named(missing, self._role)}"
            return Routed(why, troubles=troubles)
        return Routed(troubles=troubles)

    def _understood(self, reply: Reply) -> Channels | None:
        if reply.line is None:
            return None
        if can_ask(self._dialect, "closed_channels"):
            return read_channels(reply.line)
        asked, said = sorted(self._mapped), [value.number for value in read_numbers(reply.line)]
        if len(said) != len(asked) or not set(said) <= {0.0, 1.0}:
            return None
        return frozenset(channel for channel, state in zip(asked, said, strict=True) if state == 1.0)


def _named(channels: Channels, role: ScannerRole) -> str:
    """Return the points of these channels in brackets, '' where none is on the map."""
    names = [name for name, channel in role.channels.items() if channel in channels]
    names += ["ground"] if role.ground in channels else []
    return f" ({', '.join(names)})" if names else ""
