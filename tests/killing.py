"""Killing `bringup run` at a chosen moment of an attempt, and what is true of bench and logbook afterwards.

For the tests of the guardian and for the benchmark that kills some hundreds. The instruments live in this process
(tests.rig), so the power stage itself is looked at; the signals and processes are real.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from bringup.logbook.opening import open_for_writing
from bringup.simulation.instrument import Exchange
from tests.rig import BEFORE, UP, Rig

STEPS = (
    BEFORE
    + UP
    + "  - measure: [VIN, 12V0, 3V3]\n"
    + "  - log: {what: VIN current, for: 1 s, every: 100 ms}\n"
    + "  - power_off: {discharged_below: 1 V}\n"
)
WITHIN = 60.0
"""Seconds for anything to happen at all."""


@dataclass(frozen=True, slots=True)
class Phase:
    """A part of an attempt: it begins when `seen` is on the wire (`said` in the output) for the nth time."""

    name: str
    said: str = ""
    """What the tool has to have said first."""
    sent: str = ""
    """The message to the supply after that (a regular expression) with which the phase begins."""
    lasts: float = 0.0
    """Seconds over which kills are spread, from there on."""
    slow_off: float = 0.0
    """Seconds that the supply takes to carry out an off in this phase, its power stage being on until then."""


_PREFIX = {"": 1.0, "k": 1e3, "M": 1e6, "m": 1e-3, "µ": 1e-6, "n": 1e-9}
_SHOWN = re.compile(
    r"^  (?P<name>\S.*?) +(?:(?P<value>-?\d+(?:\.(?P<places>\d+))?) (?P<prefix>n|µ|m|k|M|)(?P<unit>V|A|Ω)|no value)"
    r"(?<=^.{44}) .* (?:pass|FAIL|recorded|not judged|NO VALUE)\b"
)
"""A reading as the view shows it, whatever is drawn between its value and its result; one with or without a value.
The value ends at that column: a name may end as a value does."""
SETTLES = 1.5
"""Seconds in which the guardian has left its message, or has none to leave."""

OFF = re.compile(r"OUTP(UT)? (OFF|0)")

PHASES = (
    Phase("arming", said="step 3 of 6", sent=r"CURR 0\.4", lasts=0.02),
    Phase("on and read-back", said="step 3 of 6", sent=r"OUTP(UT)? (ON|1)", lasts=0.012),
    Phase("ramp", said="VIN ON at 1 V", sent=r"VOLT 18", lasts=0.25),
    Phase("measure", said="step 4 of 6", lasts=0.25),
    Phase("commit", said="step 4 of 6", lasts=0.05),
    Phase("go", said="switches it ON", lasts=0.02),
    Phase("log", said="step 5 of 6", lasts=0.9),
    Phase("off", said="step 5 of 6", sent=OFF.pattern, lasts=0.09, slow_off=0.1),
    Phase("anywhere", said="step 1 of 6", lasts=6.0),
)


@dataclass(frozen=True, slots=True)
class Kill:
    """What became of one kill."""

    phase: str
    on_at_kill: bool
    """Whether the power stage was on when the signal was sent."""
    off_after: float | None
    """Seconds from the signal to the power stage being off; None: it was on for longer than WITHIN."""
    shown: int
    """How many readings it had shown."""
    missing: tuple[str, ...]
    """Readings that had been shown and are not in the logbook."""
    integrity: str
    result: str
    """Result of the attempt in the logbook at the next start; '' if none had begun."""
    off_verified: int | None
    ended_before: bool
    """Whether the tool had ended by itself before the signal."""

    @property
    def sound(self) -> bool:
        """Whether everything holds that must."""
        in_time = self.off_after is not None and self.off_after <= 1.0
        marked = self.result != "open" and (self.result in ("", "broken off", "passed") or self.ended_before)
        return in_time and not self.missing and self.integrity == "ok" and marked


class Watched:
    """One `bringup run`, its words and the messages to its supply as they come."""

    def __init__(self, rig: Rig, steps: str = STEPS, *, process: subprocess.Popen[str] | None = None) -> None:
        self.rig = rig
        self.lines: list[str] = []
        self.sent: list[str] = []
        self.slow_off = 0.0
        """Seconds from an off on the wire to the power stage being off."""
        self._came = threading.Condition()
        self._tap()
        self.process = process or rig.start(steps, "--logbook", str(rig.logbook))
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _tap(self) -> None:
        """Note every message to the supply, whoever sends it."""
        supply = self.rig.simulated.supply
        assert supply is not None
        exchange = supply.exchange

        def noting(message: bytes, now: float) -> Exchange:
            text = message.decode("latin-1").strip()
            with self._came:
                self.sent.append(text)
                self._came.notify_all()
            if self.slow_off and OFF.match(text):
                now = yield now + self.slow_off
            return (yield from exchange(message, now))

        supply.exchange = noting  # type: ignore[method-assign]

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._came:
                self.lines.append(line)
                self._came.notify_all()
        with self._came:
            self._came.notify_all()

    def until(self, reached: Callable[[], bool]) -> bool:
        """Wait until that is so, the tool has ended, or WITHIN is over; return whether it is so."""
        with self._came:
            self._came.wait_for(lambda: reached() or not self._reader.is_alive(), WITHIN)
            return reached()

    def reach(self, phase: Phase) -> None:
        """Wait until the phase begins."""
        self.until(lambda: any(phase.said in line for line in self.lines))
        if phase.sent:
            before = len(self.sent)
            # What was sent just before the words came out counts as well.
            since = max(0, before - 3)
            self.until(lambda: any(re.match(phase.sent, text) for text in self.sent[since:]))

    def close(self) -> None:
        """Read the rest of what it said."""
        self._reader.join(WITHIN)
        self.process.wait(WITHIN)
        assert self.process.stdout is not None
        self.process.stdout.close()


def kill_in(watched: Watched, phase: Phase, part: float, number: int = signal.SIGKILL) -> Kill:
    """Wait for the phase and this part of it, send the signal, and look what became of everything."""
    rig, watched.slow_off = watched.rig, phase.slow_off
    watched.reach(phase)
    if part:
        time.sleep(part * phase.lasts)
    ended_before = watched.process.poll() is not None
    on_at_kill, begun = rig.output_is_on(), time.monotonic()
    if not ended_before:
        os.kill(watched.process.pid, number)
    last_on = begun
    state = rig.folder / "state"
    until = begun + SETTLES
    while time.monotonic() < until or rig.output_is_on():
        if rig.output_is_on():
            last_on = time.monotonic()
            if last_on - begun > WITHIN:
                break
        elif next(state.glob("*.message"), None) is not None:
            break
        time.sleep(0.001)
    off = not rig.output_is_on()
    watched.close()
    shown = readings_shown(watched.lines)
    return Kill(
        phase.name, on_at_kill, last_on - begun if off else None, len(shown), *logged(rig.logbook, shown), ended_before
    )


def readings_shown(lines: Iterable[str]) -> list[re.Match[str]]:
    """Return every reading that the view has shown, however it was judged."""
    return [found for line in lines if (found := _SHOWN.match(line)) is not None]


def _is_it(shown: re.Match[str], rail: str | None, kind: str, aspect: str, unit: str, value: float | None) -> bool:
    """Whether a row of the logbook is the reading that was shown: its name, its unit, its value as rounded there."""
    said = kind if kind not in ("voltage", "resistance") else ""
    if shown["name"] != " ".join(part for part in (rail or "", said, aspect) if part):
        return False
    if shown["value"] is None or value is None:
        return shown["value"] is None and value is None
    scale = _PREFIX[shown["prefix"]]
    half = 0.5001 * scale * 10.0 ** -len(shown["places"] or "")
    return shown["unit"].replace("Ω", "ohm") == unit and abs(value - float(shown["value"]) * scale) <= half


def logged(logbook: Path, shown: list[re.Match[str]]) -> tuple[tuple[str, ...], str, str, int | None]:
    """Open the logbook as the next start does; return what is missing, its integrity, the last attempt's result."""
    opened = open_for_writing(logbook)
    with closing(opened.connection) as connection:
        kept = connection.execute("SELECT rail, quantity, aspect, unit, value FROM readings").fetchall()
        missing = []
        for each in shown:
            found = next((row for row in kept if _is_it(each, *row)), None)
            if found is None:
                missing.append(each[0].strip())
            else:
                kept.remove(found)
        (integrity,) = connection.execute("PRAGMA integrity_check").fetchone()
        last = connection.execute("SELECT result, off_verified FROM attempts ORDER BY seq DESC LIMIT 1").fetchone()
    result, off_verified = last or ("", None)
    return tuple(missing), integrity, "open" if result is None else result, off_verified
