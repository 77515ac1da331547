"""Simulated instruments in wall time: what carries messages on sockets and terminals shares one world and one clock."""

from __future__ import annotations

import threading
import time

from bringup.simulation.instrument import Instrument


class WallTime:
    """The world's lock, its clock, and its end. Wall time since the start is the simulated time."""

    def __init__(self) -> None:
        self.world = threading.Lock()
        """Hold this while looking at the world or at an instrument from outside."""
        self._stopping = threading.Event()
        self._started = time.monotonic()

    def now(self) -> float:
        """Simulated seconds since the start. Call it with the world's lock held: then it never runs backwards."""
        return time.monotonic() - self._started

    def pause(self, seconds: float) -> bool:
        """Sleep; True when it is time to stop."""
        return self._stopping.wait(seconds) if seconds > 0 else self._stopping.is_set()

    def stop(self) -> None:
        """Have everything end."""
        self._stopping.set()


class Desk:
    """Where one instrument takes messages, one at a time, whoever they come from."""

    def __init__(self, instrument: Instrument, time: WallTime) -> None:
        self.instrument = instrument
        self.time = time
        self.turn = threading.Lock()
        """Whoever holds this has the instrument for himself."""

    def carry_out(self, message: bytes, *, whole_turn: bool) -> bytes | None:
        """Let the instrument work on one message; `whole_turn`: the caller holds `turn` already."""
        if whole_turn:
            return self._exchange(message)
        with self.turn:
            return self._exchange(message)

    def overrun(self) -> None:
        """Tell it that a message was too long."""
        with self.time.world:
            self.instrument.overrun()

    def interrupted(self) -> None:
        """Tell it that a message came before the response to the former one was fetched."""
        with self.time.world:
            self.instrument.interrupted()

    def _exchange(self, message: bytes) -> bytes | None:
        time = self.time
        try:
            with time.world:
                now = time.now()
                exchange = self.instrument.exchange(message, now)
                wanted = next(exchange)
            while True:
                if time.pause(wanted - now):
                    exchange.close()
                    return None
                with time.world:
                    now = time.now()
                    if now >= wanted:
                        wanted = exchange.send(now)
        except StopIteration as end:
            reply: bytes | None = end.value
            return reply
