"""Opening a session through pyvisa: which kind a resource string asks for."""

from __future__ import annotations

from bringup.instruments.visa_library import explain, load
from bringup.instruments.visa_session import VisaSession
from bringup.instruments.visa_streams import SerialSession, SocketSession, StreamSession, reachable_socket
from bringup.instruments.wire import Broken, Session, Wire


def open_session(name: str, backend: str, wire: Wire) -> Session:
    """Connect. Raises Broken."""
    try:
        resource = load(backend).open_resource(name, open_timeout=int(wire.identify.timeout * 1000))
    except Exception as error:  # backends raise anything, bare Exception included
        raise explain(error) from error
    try:
        if name.upper().startswith("ASRL"):
            return SerialSession(resource, wire.port)
        if not name.upper().endswith("::SOCKET"):
            return VisaSession(resource)
        direct = reachable_socket(resource)
        return StreamSession(resource) if direct is None else SocketSession(resource, direct)
    except Exception as error:
        VisaSession(resource).close()
        raise error if isinstance(error, Broken) else explain(error) from error
