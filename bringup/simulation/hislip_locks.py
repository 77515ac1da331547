"""Who may speak to a HiSLIP instrument: exclusive and shared locks (IVI-6.1, locking, from memory)."""

from __future__ import annotations

import threading
import time

from bringup.simulation.hislip import Lock


class Locks:
    """The locks of one instrument. Sessions are known by their number."""

    def __init__(self) -> None:
        self._change = threading.Condition()
        self._exclusive: int | None = None
        self._shared: dict[int, bytes] = {}

    def request(self, session: int, key: bytes, seconds: float) -> Lock:
        """Take a lock within so many seconds: a shared one with a key, an exclusive one without."""
        limit = time.monotonic() + seconds
        with self._change:
            if self._exclusive == session or (key and session in self._shared):
                return Lock.WRONG
            while not self._free_for(session, key):
                if not self._change.wait(limit - time.monotonic()) and time.monotonic() >= limit:
                    return Lock.FAILED
            if key:
                self._shared[session] = key
            else:
                self._exclusive = session
            return Lock.EXCLUSIVE

    def release(self, session: int) -> Lock:
        """Give back the exclusive lock, else the shared one."""
        with self._change:
            self._change.notify_all()
            if self._exclusive == session:
                self._exclusive = None
                return Lock.EXCLUSIVE
            return Lock.WRONG if self._shared.pop(session, None) is None else Lock.SHARED

    def forget(self, session: int) -> None:
        """Drop whatever a session held: it has gone."""
        while self.release(session) is not Lock.WRONG:
            pass

    def wait_for(self, session: int, seconds: float) -> bool:
        """Wait until this session may have its messages carried out; whether it may after so many seconds."""
        with self._change:
            return self._change.wait_for(lambda: self._may_speak(session), seconds)

    def held(self) -> tuple[bool, int]:
        """Return whether there is an exclusive lock, and how many hold any."""
        with self._change:
            holders = set(self._shared) | ({self._exclusive} - {None})
            return self._exclusive is not None, len(holders)

    def _free_for(self, session: int, key: bytes) -> bool:
        others = {held for holder, held in self._shared.items() if holder != session}
        return self._exclusive is None and all(key and held == key for held in others)

    def _may_speak(self, session: int) -> bool:
        if self._exclusive is not None:
            return self._exclusive == session
        return not self._shared or session in self._shared
