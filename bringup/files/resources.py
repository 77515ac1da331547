"""What a VISA resource string looks like, so that a slip in one shows before anything is opened."""

from __future__ import annotations

import re

_SOCKET = "TCPIP0::192.0.2.10::5025::SOCKET"
_HOST = r"(?:\[[0-9A-Fa-f:%.]+\]|[^:\s\[\]]+)"
FORMS = {
    "TCPIP": (
        rf"(?i:TCPIP)\d*::{_HOST}(?:::\d+::SOCKET|(?:::(?!SOCKET|INSTR)[A-Za-z][^:\s]*)?(?:::INSTR)?)",
        f"{_SOCKET}, TCPIP0::192.0.2.10::hislip0::INSTR or TCPIP0::192.0.2.10::inst0::INSTR",
    ),
    "USB": (r"(?i:USB)\d*(?:::[^:]+){3}(?:::\d+)?(?:::(?:INSTR|RAW))?", "USB0::0x1234::0x5678::SN1::INSTR"),
    "GPIB": (r"(?i:GPIB)\d*(?:::\d+){1,2}(?:::INSTR)?", "GPIB0::5::INSTR"),
    "ASRL": (r"(?i:ASRL)[^:\s]+(?:::INSTR)?", "ASRL/dev/ttyUSB0::INSTR or ASRL3::INSTR"),
    **dict.fromkeys(("PXI", "VXI", "VICP", "PRLGX-TCPIP", "PRLGX-ASRL"), (r"[^:\s]+(?:::.*)?", _SOCKET)),
}
"""How resource strings begin -> a whole one (expression; VPP-4.3, from memory, and pyvisa's backends), and examples."""


def fault_of_resource(resource: str, otherwise: str) -> tuple[str, str] | None:
    """Return what is wrong with it and what it could be, or None. `otherwise`: what may stand instead."""
    start = next((name for name in FORMS if resource.upper().startswith(name)), None)
    if start is None:
        return f"'{resource}' is no VISA resource string", f"such as {_SOCKET}, or `{otherwise}`"
    form, example = FORMS[start]
    if re.fullmatch(form, resource):
        return None
    return f"'{resource}' is no VISA resource string of the kind {start}", f"such as {example}"
