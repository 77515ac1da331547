"""The tables of the chain of hashes, as SQL for the migrations: origins, and one entry for each row written.

An origin is one logbook file since its chain began; rows that come from another logbook keep their own.
"""

from __future__ import annotations

CHAIN = (
    """
CREATE TABLE origins (
    number INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    made TEXT NOT NULL CHECK (made LIKE '____-__-__T__:__:__.______Z')
) STRICT
""",
    """
CREATE TABLE chain (
    seq INTEGER PRIMARY KEY,
    origin INTEGER NOT NULL REFERENCES origins (number),
    attempt INTEGER REFERENCES attempts (seq),
    covers TEXT NOT NULL,
    row TEXT,
    old INTEGER NOT NULL CHECK (old IN (0, 1)),
    hash BLOB NOT NULL CHECK (length(hash) = 32),
    link BLOB NOT NULL CHECK (length(link) = 32)
) STRICT
""",
    # Of attempts only: there are few, and their latest link is asked for.
    "CREATE INDEX chain_of_attempts ON chain (row) WHERE covers = 'attempts'",
    """
INSERT INTO origins (number, id, made)
VALUES (1, lower(hex(randomblob(16))), strftime('%Y-%m-%dT%H:%M:%f', 'now') || '000Z')
""",
)

KEPT_OUT = (
    # Entries that came with another logbook and whose rows did not: `attempt` is the id that their links are made with.
    """
CREATE TABLE kept_out (
    place INTEGER PRIMARY KEY REFERENCES chain (seq),
    attempt TEXT,
    conflict INTEGER NOT NULL CHECK (conflict IN (0, 1)),
    why TEXT NOT NULL CHECK (why <> '')
) STRICT
""",
)
