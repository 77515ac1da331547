"""What the pyvisa backends of this computer list. A list opens and asks nothing of ours.

pyvisa-py asks the network by broadcast for VXI-11, reads USB descriptors and lists serial ports by name only.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence

from bringup.core.frozen import frozen
from bringup.instruments.visa_library import explain, load

SIMULATION = "sim"
"""pyvisa's simulation lists examples of its own: no instruments."""
MOST = 500
"""Resource strings of one backend that are taken."""


@frozen
class Listed:
    """What one backend lists, or why it does not."""

    resources: tuple[str, ...] = ()
    problem: str = ""
    absent: bool = False
    """It is not installed, which is no fault."""


def backends() -> tuple[str, ...]:
    """Return the backends that are installed: 'py', 'ivi' (of which only pyvisa's side is sure to be)."""
    from pyvisa.highlevel import list_backends

    return tuple(sorted({name for name in list_backends() if name != SIMULATION}, key=lambda one: (one != "py", one)))


def listed(backend: str, manager: Callable[[str], object] = load) -> Listed:
    """Ask one backend ('py'). Never raises; blocks for as long as the backend does."""
    try:
        opened = manager(f"@{backend}")
    except Exception as error:  # noqa: BLE001 - backends raise anything; without a library ivi raises an OSError or ValueError
        why = " ".join(explain(error).why.split())
        if backend == "ivi" and why.endswith(":"):  # "Could not open VISA library:", with none that was tried after it
            return Listed(problem="no VISA library is installed", absent=True)
        return Listed(problem=why)
    try:
        with warnings.catch_warnings():
            # What it would need for more is of no use here: the network and sysfs are looked at by ourselves.
            warnings.simplefilter("ignore")
            found: Sequence[str] = opened.list_resources("?*")  # type: ignore[attr-defined]
        ours = [str(each) for each in found if str(each).upper().endswith(("::INSTR", "::SOCKET"))]
        return Listed(tuple(dict.fromkeys(ours))[:MOST])
    except Exception as error:  # noqa: BLE001 - as above
        return Listed(problem=" ".join(explain(error).why.split()))
