"""Whether what was published to a server is as it was written: every row against its hash, every origin's chain whole.

Each origin's chain begins with its seed and goes on link by link, whatever was published in between. A row must be as
the last entry about it says, whichever logbook that is of. The same cannot be found as in a file, and one thing more
than there: an end that was cut off, where `publications` still says how much there was.
"""

from __future__ import annotations

from collections import defaultdict

from bringup.core.frozen import frozen
from bringup.errors import LogbookError
from bringup.logbook.audit import CHAIN_COLUMNS, Audit, anchor_asked
from bringup.logbook.chain import COVERED
from bringup.logbook.comparing import Expected, Finding, compare_keyed, compare_ordered
from bringup.logbook.database import Database
from bringup.logbook.encoding import link_hash, seed


@frozen
class _Origin:
    """A logbook that was published."""

    id: str
    made: str
    entries: int
    wanted: int


def audit_server(connection: Database, asked: str | None = None) -> Audit:
    """Compare everything. `asked`: a hash printed earlier, or its beginning; CommandError for what is no hash.

    Raises LogbookError where publishing was cut off in the middle: what is not there yet is not missing.
    """
    asked = None if asked is None else anchor_asked(asked)
    origins = {
        number: _Origin(identity, made, entries, wanted)
        for number, identity, made, entries, wanted in connection.execute(
            "SELECT o.number, o.id, o.made, coalesce(p.entries, 0), coalesce(p.wanted, 0)"
            " FROM origins o LEFT JOIN publications p ON p.origin = o.number ORDER BY o.number"
        )
    }
    for origin in origins.values():
        if origin.entries < origin.wanted:
            raise LogbookError(
                f"publishing the logbook {origin.id[:8]} was cut off: {origin.entries:,} of {origin.wanted:,} hashes"
                " are here",
                "Publish it again, then audit.",
            )
    ids: dict[int, str] = dict(
        connection.execute("SELECT attempt, row FROM chain WHERE covers = 'attempts' ORDER BY seq DESC")
    )
    expected = {table: Expected() for table in COVERED}
    findings: list[Finding] = []
    links = {number: seed(origin.id, origin.made) for number, origin in origins.items()}
    counts: dict[int, int] = defaultdict(int)
    hashes = old_rows = 0
    asked_at = None
    for place, number, attempt, table, key, old, digest, link in connection.execute(
        f"SELECT {CHAIN_COLUMNS} FROM chain ORDER BY seq"  # noqa: S608 - words of ours
    ):
        whose = None if attempt is None else ids.get(attempt, "")
        if link_hash(links.get(number, b""), table, key, whose, digest, old=bool(old)) != link:
            about = f"entry {place} of the chain, about {table} {key or ''}".rstrip()
            findings.append(Finding("altered", "chain", f"{about}: it, or the one before it", whose, place))
        links[number] = link
        counts[number] += 1
        hashes, old_rows = hashes + 1, old_rows + old
        if table in expected:
            expected[table].add(place, attempt, key, digest, keyed=bool(COVERED[table]))
        if asked is not None and link.hex().startswith(asked):
            asked_at = hashes
    findings += [
        Finding(
            "removed", "chain", f"the end of the chain of {each.id[:8]}, from entry {counts[number] + 1}", None, hashes
        )
        for number, each in origins.items()
        if counts[number] < each.entries
    ]
    rows = 0
    for table, key_columns in COVERED.items():
        compare = compare_keyed if key_columns else compare_ordered
        rows += compare(connection, table, expected[table], ids, findings)
    serials = dict(connection.execute("SELECT id, serial FROM attempts"))
    findings.sort(key=lambda finding: finding.place)
    return Audit(
        ", ".join(origin.id for origin in origins.values()),
        min((origin.made for origin in origins.values()), default=""),
        hashes,
        rows,
        old_rows,
        len(ids),
        ", ".join(links[number].hex() for number in origins if counts[number]),
        tuple(finding.of(serials.get(finding.attempt or "")) for finding in findings),
        asked,
        asked_at,
    )
