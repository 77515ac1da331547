"""The tables beside attempts, as SQL for the migrations: what people enter about a unit, and what they withdraw.

Each row is of a unit, real or simulated; `attempt` is the one in which it was entered, NULL where that was done
outside of any. A rework says after which attempt it came (`follows`), since wall clocks may be set: NULL for none.
"""

from __future__ import annotations

_TIME = "at TEXT NOT NULL CHECK (at LIKE '____-__-__T__:__:__.______Z')"
_OF_UNIT = f"""seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    serial TEXT NOT NULL,
    simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),
    attempt TEXT REFERENCES attempts (id),
    step INTEGER,
    {_TIME},
    who TEXT NOT NULL CHECK (who <> ''),"""
_UNIT = "FOREIGN KEY (serial, simulated) REFERENCES units (serial, simulated)"

DEVIATIONS = (
    # `rails`: a JSON list of names; NULL for all of the board.
    f"""
CREATE TABLE reworks (
    {_OF_UNIT}
    follows TEXT REFERENCES attempts (id),
    monotonic REAL CHECK (monotonic BETWEEN -1.7976931348623157e308 AND 1.7976931348623157e308),
    part TEXT NOT NULL CHECK (part <> ''),
    was TEXT NOT NULL,
    became TEXT NOT NULL,
    why TEXT NOT NULL CHECK (why <> ''),
    rails TEXT,
    {_UNIT},
    CHECK ((attempt IS NULL) = (monotonic IS NULL))
) STRICT
""",
    f"""
CREATE TABLE observations (
    {_OF_UNIT}
    target TEXT NOT NULL CHECK (target IN ('unit', 'design')),
    severity TEXT NOT NULL CHECK (severity IN ('must', 'should', 'nice')),
    board TEXT NOT NULL,
    revision TEXT NOT NULL,
    content TEXT NOT NULL CHECK (content <> ''),
    same_as TEXT REFERENCES observations (id),
    {_UNIT}
) STRICT
""",
    """
CREATE TABLE observation_readings (
    observation TEXT NOT NULL REFERENCES observations (id),
    reading TEXT NOT NULL REFERENCES readings (id),
    PRIMARY KEY (observation, reading)
) STRICT
""",
    """
CREATE TABLE pictures (
    sha256 TEXT NOT NULL PRIMARY KEY CHECK (length(sha256) = 64),
    kind TEXT NOT NULL CHECK (kind IN ('jpeg', 'png', 'gif', 'webp')),
    width INTEGER NOT NULL CHECK (width > 0),
    height INTEGER NOT NULL CHECK (height > 0),
    bytes INTEGER NOT NULL CHECK (bytes > 0)
) STRICT
""",
    """
CREATE TABLE picture_parts (
    sha256 TEXT NOT NULL REFERENCES pictures (sha256),
    part INTEGER NOT NULL CHECK (part > 0),
    content BLOB NOT NULL,
    PRIMARY KEY (sha256, part)
) STRICT
""",
    # `picture` NULL: what came in from a rescue file does not bring the picture along.
    f"""
CREATE TABLE photos (
    {_OF_UNIT}
    picture TEXT REFERENCES pictures (sha256),
    file TEXT NOT NULL,
    caption TEXT NOT NULL,
    {_UNIT}
) STRICT
""",
    # `limits`: within which later failures of the same are waived, too.
    f"""
CREATE TABLE dispositions (
    {_OF_UNIT}
    kind TEXT NOT NULL CHECK (kind IN ('waiver', 'quarantine', 'scrap', 'released')),
    why TEXT NOT NULL CHECK (why <> ''),
    reading TEXT REFERENCES readings (id),
    limits TEXT,
    {_UNIT},
    CHECK ((kind = 'waiver') = (reading IS NOT NULL)),
    CHECK (limits IS NULL OR kind = 'waiver')
) STRICT
""",
    "CREATE INDEX reworks_of_unit ON reworks (serial, simulated)",
    "CREATE INDEX observations_of_unit ON observations (serial, simulated)",
    "CREATE INDEX observations_of_board ON observations (board)",
    "CREATE INDEX photos_of_unit ON photos (serial, simulated)",
    "CREATE INDEX dispositions_of_unit ON dispositions (serial, simulated)",
)

REFERENCE_MARKS = (
    # `about`: the attempt that is the reference; NULL: what the unit last passed with, whichever attempt that is.
    f"""
CREATE TABLE reference_marks (
    {_OF_UNIT}
    about TEXT REFERENCES attempts (id),
    kind TEXT NOT NULL CHECK (kind IN ('marked', 'withdrawn')),
    why TEXT NOT NULL CHECK (why <> ''),
    {_UNIT}
) STRICT
""",
    "CREATE INDEX reference_marks_of_unit ON reference_marks (serial, simulated)",
)

WITHDRAWALS = (
    # `about`: id of a row of the table that `kind` names; what it says is kept, and counts no more.
    f"""
CREATE TABLE withdrawals (
    {_OF_UNIT}
    kind TEXT NOT NULL CHECK (kind IN ('rework', 'observation', 'note')),
    about TEXT NOT NULL,
    why TEXT NOT NULL CHECK (why <> ''),
    {_UNIT}
) STRICT
""",
    "CREATE INDEX withdrawals_of_unit ON withdrawals (serial, simulated)",
    "CREATE INDEX withdrawals_about ON withdrawals (about)",
)
