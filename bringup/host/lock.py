"""The bench lock: one operating-system lock per resource string, so that two attempts never drive one instrument.

The lock is the system's and ends with the process that holds it, however it ends; the file's text only says who that
is. The files stay where they are: removing one that somebody is about to lock would let two hold it.
"""

from __future__ import annotations

import ipaddress
import os
import re
import socket
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

from bringup.core.frozen import frozen
from bringup.errors import BenchError
from bringup.host.folder import state_folder

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

_LOCKED_BYTE = 1 << 30
"""Windows locks bytes, and nobody can read those: one far beyond the text."""
_TRIES = 5
_BETWEEN_TRIES = 0.02
"""Somebody who only looks holds a lock for a moment, and a new holder needs one to say who it is."""
_LONGEST = 4096
_LAST_PORT = 65535
_LONGEST_NAME = 200
"""Characters of a file name before its ending: file systems allow 255."""
# Not through a link that somebody put there, and (Windows) as bytes.
_OPEN: int = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)


INSTRUMENT = "INSTRUMENT"
"""What the name of a lock begins with that is of an instrument itself, by whatever resource it is reached."""


@frozen
class ControlAddress:
    """Where an attempt listens on loopback, and the word that proves that the caller may read our files."""

    port: int
    token: str


@frozen
class About:
    """What a holder says of itself."""

    command: str
    """Such as 'bringup run'."""
    serial: str = ""
    """The unit it is for, if any."""
    control: ControlAddress | None = None


@frozen
class Holder:
    """Who holds a lock. All of it is the holder's own word; a new holder may not have given it yet."""

    resource: str
    pid: int = 0
    command: str = ""
    serial: str = ""
    since: str = ""
    """UTC, to the second."""
    control: ControlAddress | None = None

    def __str__(self) -> str:
        if not self.pid:
            return "another program that has not said who it is"
        unit = f" on {self.serial}" if self.serial else ""
        return f"`{self.command}`{unit} (process {self.pid}) since {self.since}"


def canonical(resource: str) -> str:
    """Return the one spelling of a VISA resource string: capitals, board number and INSTR written out.

    A host stands as its address and a device as what its links lead to, for two names are still one instrument.
    """
    device = re.match(r"ASRL(/[^:]+)", resource.strip(), re.IGNORECASE)
    if device is not None:
        resource = f"ASRL{os.path.realpath(device[1])}{resource.strip()[device.end() :]}"
    parts = resource.strip().upper().split("::")
    if re.fullmatch(r"(?:TCPIP|USB|GPIB|VXI|PXI)", parts[0]):
        parts[0] += "0"
    if parts[-1] not in ("INSTR", "SOCKET", "RAW", "INTFC"):
        parts.append("INSTR")
    if parts[0].startswith("TCPIP") and len(parts) == 3 and parts[-1] == "INSTR":  # noqa: PLR2004 - board, host, class
        parts.insert(2, "INST0")
    if parts[0].startswith("TCPIP") and len(parts) > 2:  # noqa: PLR2004 - board, host, class
        parts[1] = _address_of(parts[1])
    return "::".join(parts)


@cache
def _address_of(host: str) -> str:
    """Return the address of a host, itself where nobody knows it: opening it will say so."""
    try:
        return str(ipaddress.ip_address(host))
    except ValueError:
        pass
    try:
        return socket.gethostbyname(host.lower())
    except (OSError, UnicodeError):
        return host


@contextmanager
def hold(resources: Iterable[str], about: About) -> Iterator[None]:
    """Hold the locks of all these resources, or of none. Raises BenchError saying who has one and since when.

    They are taken in one fixed order and nobody ever waits for one, so two holders cannot block each other.
    """
    folder = state_folder()
    wanted = sorted({canonical(resource): resource for resource in resources}.items())
    with ExitStack() as held:
        for spelling, resource in wanted:
            held.enter_context(_held(_path(folder, spelling), resource, about))
        yield


def holder_of(resource: str) -> Holder | None:
    """Return who holds a resource's lock, None if nobody does. Raises BenchError as `state_folder` does."""
    path = _path(state_folder(), canonical(resource))
    try:
        descriptor = os.open(path, os.O_RDWR | _OPEN)
    except FileNotFoundError:
        return None
    try:
        if _try_lock(descriptor):
            _unlock(descriptor)
            return None
        return _read(descriptor, resource)
    finally:
        os.close(descriptor)


def _path(folder: Path, spelling: str) -> Path:
    name = quote(spelling, safe="")
    if len(name) > _LONGEST_NAME:
        import hashlib  # it brings OpenSSL with it, and such names are rare

        name = hashlib.sha256(spelling.encode()).hexdigest()
    return folder / f"{name}.lock"


@contextmanager
def _held(path: Path, resource: str, about: About) -> Iterator[None]:
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | _OPEN, 0o600)
    except OSError as error:
        raise BenchError(
            f"the lock of {resource} cannot be opened: {path}: {error.strerror}",
            "Look who owns that file, and remove it if nobody uses the bench.",
        ) from error
    try:
        for attempt in range(_TRIES):
            if attempt:
                time.sleep(_BETWEEN_TRIES)
            if _try_lock(descriptor):
                break
        else:
            raise BenchError(
                f"{_named(resource)} is in use: {_read(descriptor, resource)} holds it",
                "Wait until it ends or end it there; `bringup off` switches its outputs off whoever holds them.",
            )
        try:
            _write(descriptor, resource, about)
            yield
        finally:
            with suppress(OSError):
                # A full disk must not keep anybody from letting go; the text of a free lock means nothing.
                os.ftruncate(descriptor, 0)
            _unlock(descriptor)
    finally:
        os.close(descriptor)


def _named(resource: str) -> str:
    """Return what people call it: a simulated instrument by its role and bench file, one by itself by its identity."""
    kind, *path = resource.split("::")
    if kind == INSTRUMENT:
        return f"the instrument that answers as {', '.join(path)}, reached under another name,"
    if kind != "SIMULATED" or len(path) < 2:  # noqa: PLR2004 - bench file and role
        return resource
    return f"the {path[-1]} of {Path('::'.join(path[:-1])).name}"


def _write(descriptor: int, resource: str, about: About) -> None:
    since = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    text = _as_json({"resource": resource, "pid": os.getpid(), "since": since, **asdict(about)})
    try:
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, text.encode())
    except OSError as error:
        raise BenchError(
            f"the lock of {resource} cannot be written: {error.strerror}",
            "Make room on the disk that holds it (BRINGUP_STATE names another folder): others must see who is on.",
        ) from error


def _as_json(said: dict[str, Any]) -> str:
    """Return a JSON object. Of plain texts and numbers without the module, for which a start would wait."""
    parts = []
    for name, value in said.items():
        if isinstance(value, dict):
            written = _as_json(value)
        elif type(value) is int:
            written = str(value)
        elif isinstance(value, str) and value.isascii() and value.isprintable() and not {'"', "\\"} & set(value):
            written = f'"{value}"'
        else:
            import json

            written = json.dumps(value)
        parts.append(f'"{name}": {written}')
    return "{" + ", ".join(parts) + "}"


def _read(descriptor: int, resource: str) -> Holder:
    """Read who holds a lock; a holder without a name where the text is not there yet or is nonsense."""
    import json

    try:
        os.lseek(descriptor, 0, os.SEEK_SET)
        said = json.loads(os.read(descriptor, _LONGEST))
        control = said["control"]
        address = None if control is None else _address(int(control["port"]), str(control["token"]))
        texts = (_plain(said["command"]), _plain(said["serial"]), _plain(said["since"]))
        return Holder(resource, int(said["pid"]), *texts, control=address)
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return Holder(resource)


def _address(port: int, token: str) -> ControlAddress | None:
    """Return where a holder listens; None where that is no port, or the token nothing that we would have written."""
    return ControlAddress(port, token) if 0 < port <= _LAST_PORT and token.isascii() and token.isalnum() else None


def _plain(said: object) -> str:
    """Return what a holder says of itself with nothing in it that would do something to a terminal."""
    return "".join(one if one.isprintable() else "·" for one in str(said))


if sys.platform == "win32":

    def _try_lock(descriptor: int) -> bool:
        os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def _unlock(descriptor: int) -> None:
        os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_UNLCK, 1)

else:

    def _try_lock(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _unlock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_UN)
