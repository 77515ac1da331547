"""The status reporting of one instrument: error queue, event registers, status byte (IEEE 488.2 chapter 11, SCPI-1999).

Bits of `*ESR?`: 1 operation complete, 4 query error, 8 device-dependent error, 16 execution error, 32 command error,
128 power on. Bits of `*STB?`: 4 error queue, 8 questionable, 16 message available, 32 event status, 64 master
summary, 128 operation.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable

from bringup.simulation.command_tree import Call, Command
from bringup.simulation.parameters import integer
from bringup.simulation.scpi_errors import entry, event_bit

QUEUE_SIZE = 20
OVERFLOW = -350
POWER_ON = 128
OPERATION_COMPLETE = 1


class Register:
    """A status register of the SCPI kind: a condition, the event it leaves behind, and what of it is reported."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0

    def observe(self, condition: int) -> None:
        """Take note of the condition at this moment; every bit that became 1 is latched in the event register."""
        self.event |= condition & ~self.condition
        self.condition = condition

    def read_event(self) -> int:
        """Return the event register and clear it."""
        event, self.event = self.event, 0
        return event

    @property
    def reports(self) -> bool:
        """Whether its summary bit is set."""
        return bool(self.event & self.enable)


class Status:
    """Error queue and registers. `sign` is put before the number of an entry that has none (some families send +0)."""

    def __init__(self, *, sign: str = "") -> None:
        self._sign = sign
        self._errors: deque[tuple[int, str]] = deque()
        self._events = POWER_ON
        self._event_enable = 0
        self._service_enable = 0
        self.questionable = Register()
        self.operation = Register()

    def report(self, code: int, detail: str = "") -> None:
        """Queue an error; one too many becomes a queue overflow in the last place (SCPI-1999 volume 2, 21.8.1)."""
        self._events |= event_bit(code)
        if len(self._errors) < QUEUE_SIZE:
            self._errors.append((code, detail))
        else:
            self._errors[-1] = (OVERFLOW, "")
            self._events |= event_bit(OVERFLOW)

    def next_error(self) -> str:
        """Take the oldest entry out of the queue, as `SYSTem:ERRor?` answers it."""
        code, detail = self._errors.popleft() if self._errors else (0, "")
        return f'{"" if code < 0 else self._sign}{code},"{entry(code, detail)}"'

    def clear(self) -> None:
        """Do what `*CLS` does: queue and event registers, no enable register."""
        self._errors.clear()
        self._events = 0
        self.questionable.event = self.operation.event = 0

    def byte(self, *, message_available: bool) -> int:
        """Return the status byte with the master summary in bit 6 (IEEE 488.2, 11.2)."""
        byte = 4 * bool(self._errors) + 8 * self.questionable.reports + 16 * message_available
        byte += 32 * bool(self._events & self._event_enable) + 128 * self.operation.reports
        return byte + 64 * bool(byte & self._service_enable)

    def commands(self, look: Callable[[float], None], available: Callable[[], bool]) -> Iterable[Command]:
        """Return the commands of this subsystem.

        `look` observes the instrument's conditions at a time; `available` says whether a response is waiting.
        """

        def byte(call: Call) -> str:
            look(call.now)
            return str(self.byte(message_available=available()))

        yield Command("*CLS", self._told(self.clear))
        yield Command("*ESE", self._set_event_enable, (integer(0, 255),))
        yield Command("*ESE?", lambda _: str(self._event_enable))
        yield Command("*ESR?", self._read_events)
        yield Command("*SRE", self._set_service_enable, (integer(0, 255),))
        yield Command("*SRE?", lambda _: str(self._service_enable))
        yield Command("*STB?", byte)
        # Every command is carried out before the next is looked at: no operation is ever pending.
        yield Command("*OPC", self._told(self._complete))
        yield Command("*OPC?", lambda _: "1")
        yield Command("*WAI", lambda _: None)
        yield Command("SYSTem:ERRor[:NEXT]?", lambda _: self.next_error())
        yield Command("SYSTem:ERRor:COUNt?", lambda _: str(len(self._errors)))
        yield Command("SYSTem:ERRor:ALL?", self._all_errors)
        yield Command("SYSTem:VERSion?", lambda _: "1999.0")
        yield Command("STATus:PRESet", self._told(self._preset))
        yield from _register("QUEStionable", self.questionable, look)
        yield from _register("OPERation", self.operation, look)

    @staticmethod
    def _told(action: Callable[[], None]) -> Callable[[Call], None]:
        return lambda _: action()

    def _set_event_enable(self, call: Call) -> None:
        self._event_enable = _whole(call)

    def _set_service_enable(self, call: Call) -> None:
        self._service_enable = _whole(call) & ~64

    def _read_events(self, call: Call) -> str:
        del call
        events, self._events = self._events, 0
        return str(events)

    def _complete(self) -> None:
        self._events |= OPERATION_COMPLETE

    def _preset(self) -> None:
        self.questionable.enable = self.operation.enable = 0

    def _all_errors(self, call: Call) -> str:
        del call
        entries = [self.next_error()]
        while self._errors:
            entries.append(self.next_error())
        return ",".join(entries)


def _whole(call: Call) -> int:
    value = call.values[0]
    assert isinstance(value, int), "the parameter reader gives whole numbers"
    return value


def _register(name: str, register: Register, look: Callable[[float], None]) -> Iterable[Command]:
    """Return the commands of one SCPI status register."""

    def condition(call: Call) -> str:
        look(call.now)
        return str(register.condition)

    def event(call: Call) -> str:
        look(call.now)
        return str(register.read_event())

    def enable(call: Call) -> None:
        register.enable = _whole(call)

    yield Command(f"STATus:{name}[:EVENt]?", event)
    yield Command(f"STATus:{name}:CONDition?", condition)
    yield Command(f"STATus:{name}:ENABle", enable, (integer(0, 32767),))
    yield Command(f"STATus:{name}:ENABle?", lambda _: str(register.enable))
