"""The door to pyvisa: loading it, and what its errors mean in our words.

Nothing outside the modules `visa_*` knows pyvisa. It is imported where a session is opened, in the worker's thread, so
that a command that opens nothing never pays for it.
"""

from __future__ import annotations

import atexit
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from bringup.instruments.wire import Broken
from bringup.runner.records import LinkFault

WORDS = {
    "error_resource_not_found": "there is no such instrument, or nothing listens there",
    "error_resource_busy": "another program holds it",
    "error_resource_locked": "another program has locked it",
    "error_connection_lost": "the connection is lost",
    "error_invalid_resource_name": "this is no resource string",
    "error_library_not_found": "a library for this kind of connection is missing",
    "error_interface_number_not_configured": "this interface is not set up on this computer",
    "error_session_not_locked": "another program has locked it",
    "error_no_permission": "this user may not open it",
}
"""pyvisa's status names -> what we say; of the others we say what pyvisa says."""
CLOSED = "it closed the connection"

_LOADING: dict[str, threading.Lock] = {}
"""Backend -> its lock: pyvisa has one manager for each backend, and gives it to whoever asks while another thread still
sets it up. A library that hangs then keeps only its own sessions waiting."""


_IMPORTING = threading.Lock()


@contextmanager
def _without_numpy() -> Iterator[None]:
    """Let pyvisa find no numpy: it would load it, where it is installed, for blocks of binary values.

    We decode those ourselves, and numpy takes longer to load than all else that the first message waits for.
    """
    if "numpy" in sys.modules:
        yield
        return
    sys.modules["numpy"] = None  # type: ignore[assignment]  # to `import`, the word for "there is none"
    try:
        yield
    finally:
        del sys.modules["numpy"]


def load(backend: str) -> Any:
    """Import all that opening a session needs, and return the resource manager. Backends raise anything."""
    with _IMPORTING, _without_numpy():
        import pyvisa

    with _LOADING.setdefault(backend, threading.Lock()):
        manager = pyvisa.ResourceManager(backend)
    # At exit it would close sessions from the main thread, and one that hangs would keep the process alive.
    if (handler := getattr(manager, "_atexit_handler", None)) is not None:
        atexit.unregister(handler)
    return manager


def explain_status(code: int) -> tuple[LinkFault, str]:
    """Translate a VISA status code into a fault and words."""
    import pyvisa

    try:
        name = pyvisa.constants.StatusCode(code).name
    except ValueError:
        return LinkFault.LOST, f"VISA reports {code}"
    if name == "error_timeout":
        return LinkFault.TIMEOUT, "no answer in time"
    words = WORDS.get(name) or pyvisa.errors.completion_and_error_messages.get(code, ("", name))[1]
    return LinkFault.LOST, f"{words} ({name})"


def explain(error: Exception) -> Broken:
    """Translate whatever pyvisa or a backend of it raised."""
    import pyvisa

    if isinstance(error, pyvisa.errors.VisaIOError):
        return Broken(*explain_status(error.error_code))
    if isinstance(error, ConnectionRefusedError):
        return Broken(LinkFault.LOST, "nothing listens there (connection refused)")
    if isinstance(error, ConnectionError):
        return Broken(LinkFault.LOST, CLOSED)
    if isinstance(error, TimeoutError):
        return Broken(LinkFault.TIMEOUT, "no answer in time")
    if isinstance(error, OSError) and error.strerror:
        return Broken(LinkFault.LOST, f"it cannot be reached ({error.strerror})")
    # pyvisa-py words it as a bare Exception with the status code, by name or number as the Python version has it.
    timeout = pyvisa.constants.StatusCode.error_timeout
    if timeout.name in str(error) or str(int(timeout)) in str(error):
        return Broken(LinkFault.TIMEOUT, "it takes no connection")
    return Broken(LinkFault.LOST, str(error).strip() or type(error).__name__)
