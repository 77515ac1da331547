"""Finding something in a logbook by a word: units, lots, rails, attempts, and what people wrote."""

from __future__ import annotations

from collections.abc import Iterable

from bringup.core.frozen import frozen
from bringup.logbook.database import Database
from bringup.logbook.filters import like

MOST = 50
"""Of each sort."""
LONGEST = 120
"""Characters of a text that are shown."""

SERIALS = "SELECT DISTINCT u.serial FROM units u WHERE u.serial LIKE :word ESCAPE '\\' ORDER BY u.serial LIMIT :most"
LOTS = (
    "SELECT DISTINCT u.lot FROM units u WHERE u.lot LIKE :word ESCAPE '\\' AND u.lot <> '' ORDER BY u.lot LIMIT :most"
)
RAILS = """
WITH RECURSIVE read_at (rail) AS (
  SELECT min(r.rail) FROM readings r
  UNION ALL SELECT (SELECT min(r.rail) FROM readings r WHERE r.rail > s.rail) FROM read_at s WHERE s.rail IS NOT NULL
), boards (board) AS (SELECT DISTINCT a.board FROM attempts a)
SELECT b.board, s.rail FROM boards b JOIN read_at s ON EXISTS (
  SELECT 1 FROM readings r JOIN attempts a ON a.id = r.attempt WHERE r.rail = s.rail AND a.board = b.board
) ORDER BY b.board, s.rail
"""
"""From one rail to the next along their index: of a million readings hardly any is looked at."""
ATTEMPTS = """
SELECT a.id, a.serial, a.procedure FROM attempts a WHERE a.id LIKE :begins ESCAPE '\\' ORDER BY a.started LIMIT :most
"""
TEXTS = """
SELECT said.serial, CASE WHEN EXISTS (SELECT 1 FROM withdrawals d WHERE d.kind = said.kind AND d.about = said.id)
       THEN 'withdrawn: ' ELSE '' END || said.content FROM (
  SELECT 'note' AS kind, n.id AS id, n.serial AS serial, n.content AS content, n.at AS at FROM notes n
  UNION ALL SELECT 'rework', w.id, w.serial, w.part || ': ' || w.was || ' -> ' || w.became || ': ' || w.why, w.at
    FROM reworks w
  UNION ALL SELECT 'observation', o.id, o.serial, o.content, o.at FROM observations o
  UNION ALL SELECT 'photo', p.id, p.serial, p.file || ': ' || p.caption, p.at FROM photos p
  UNION ALL SELECT 'disposition', d.id, d.serial, d.kind || ': ' || d.why, d.at FROM dispositions d
) AS said WHERE said.content LIKE :word ESCAPE '\\' ORDER BY said.at DESC LIMIT :most
"""


@frozen
class Hit:
    """One thing found. `id`: of the attempt, or the serial number of the unit that a text is about."""

    id: str
    text: str


@frozen
class Found:
    """What bears a word, a few of each sort."""

    serials: tuple[str, ...] = ()
    lots: tuple[str, ...] = ()
    rails: tuple[str, ...] = ()
    attempts: tuple[Hit, ...] = ()
    texts: tuple[Hit, ...] = ()


def search(connection: Database, word: str) -> Found:
    """Return what holds the word; `*` and `?` stand for any characters and one. An attempt must begin with it."""
    plain = word.replace("*", "").replace("?", "")
    key = {"word": like(f"*{word}*"), "begins": like(f"{word}*"), "most": MOST}
    named = (each for of in rails(connection).values() for each in of)
    return Found(
        tuple(row[0] for row in connection.execute(SERIALS, key)),
        tuple(row[0] for row in connection.execute(LOTS, key)),
        tuple(dict.fromkeys(each for each in named if plain.lower() in each.lower()))[:MOST],
        _hits((row[0], f"{row[0][:8]}: {row[1]}, {row[2]}") for row in connection.execute(ATTEMPTS, key)),
        _hits((row[0], f"{row[0]}: {row[1][:LONGEST]}") for row in connection.execute(TEXTS, key)),
    )


def rails(connection: Database) -> dict[str, list[str]]:
    """Return the points that were read, by board."""
    found: dict[str, list[str]] = {}
    for board, rail in connection.execute(RAILS):
        found.setdefault(board, []).append(rail)
    return found


def _hits(pairs: Iterable[tuple[str, str]]) -> tuple[Hit, ...]:
    return tuple(Hit(identity, text) for identity, text in pairs)
