"""Whether what was published to a server is as it was written: as of a file, and whether an end was cut off there.

A file cannot tell that; a server has in `publications` how much there was of each logbook's chain.
"""

from __future__ import annotations

from dataclasses import replace

from bringup.core.frozen import frozen
from bringup.errors import LogbookError
from bringup.logbook.audit import Audit, audit
from bringup.logbook.comparing import Finding
from bringup.logbook.database import Database


@frozen
class _Published:
    """What a server has of one logbook, and is to have. `link`: the last one that is there, `last` the one noted."""

    id: str
    entries: int
    wanted: int
    count: int
    link: bytes
    last: bytes


_PUBLISHED = """
SELECT o.id, p.entries, p.wanted, (SELECT count(*) FROM chain c WHERE c.origin = o.number) AS there,
       (SELECT c.link FROM chain c WHERE c.origin = o.number ORDER BY c.seq DESC LIMIT 1) AS link, p.link AS last
  FROM origins o JOIN publications p ON p.origin = o.number ORDER BY o.number
"""


def audit_server(connection: Database, asked: str | None = None) -> Audit:
    """Compare everything; `anchor` has the last hash of each logbook. `asked`: as for a file; CommandError.

    Raises LogbookError where publishing was cut off in the middle: what is not there yet is not missing.
    """
    published = [
        _Published(identity, entries, wanted, count, bytes(link or b""), bytes(last))
        for identity, entries, wanted, count, link, last in connection.execute(_PUBLISHED)
    ]
    for each in published:
        if each.entries < each.wanted:
            raise LogbookError(
                f"publishing the logbook {each.id[:8]} was cut off: {each.entries} of {each.wanted} hashes are here",
                "Publish it again, then audit.",
            )
    found = audit(connection, asked)
    cut = [
        Finding("removed", "chain", f"the end of the chain of the logbook {each.id[:8]}", None, found.hashes)
        for each in published
        if each.count != each.entries or each.link != each.last
    ]
    return replace(
        found,
        origin=", ".join(each.id for each in published),
        anchor=", ".join(each.link.hex() for each in published),
        findings=(*found.findings, *cut),
    )
