"""The tables of the logbook, as numbered migrations. Only SQL text belongs here; migrations.py applies it.

A migration that has shipped is never edited: what changes later is a new one at the end of MIGRATIONS. Columns
hold base units (V, A, ohm, W, s, Hz, degC); times are UTC text of one width ('2026-11-25T09:04:05.123456Z');
`monotonic` is seconds of the attempt's monotonic clock; steps count from 1, as people see them.
"""

from __future__ import annotations

from bringup.core.frozen import frozen
from bringup.logbook.chain_tables import CHAIN, KEPT_OUT
from bringup.logbook.deviation_tables import DEVIATIONS, REFERENCE_MARKS, WITHDRAWALS
from bringup.logbook.indexes import LATE_ONES
from bringup.logbook.later_columns import CONFORMANCE, CONTINUES, LIMITS_BASIS, METER_RANGE, UNCERTAINTY
from bringup.logbook.version import CHAINED
from bringup.logbook.views import VIEWS


@frozen
class Migration:
    """One step from version `number - 1` to `number`."""

    number: int
    what: str
    statements: tuple[str, ...]


def _real(name: str) -> str:
    # 9e999 would be infinity; a NaN arrives in SQLite as NULL and is refused by the checks on `result`.
    return f"{name} REAL CHECK ({name} BETWEEN -1.7976931348623157e308 AND 1.7976931348623157e308)"


def _time(name: str, *, required: bool = True) -> str:
    null = " NOT NULL" if required else ""
    return f"{name} TEXT{null} CHECK ({name} LIKE '____-__-__T__:__:__.______Z')"


def _flag(name: str, *, required: bool = True) -> str:
    null = " NOT NULL" if required else ""
    return f"{name} INTEGER{null} CHECK ({name} IN (0, 1))"


UNITS = f"""
CREATE TABLE units (
    serial TEXT NOT NULL CHECK (serial <> ''),
    {_flag("simulated")},
    board TEXT NOT NULL,
    revision TEXT NOT NULL,
    variant TEXT NOT NULL,
    lot TEXT NOT NULL,
    PRIMARY KEY (serial, simulated)
) STRICT
"""

ATTEMPTS = f"""
CREATE TABLE attempts (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    serial TEXT NOT NULL,
    {_flag("simulated")},
    procedure TEXT NOT NULL,
    board TEXT NOT NULL,
    revision TEXT NOT NULL,
    variant TEXT NOT NULL,
    lot TEXT NOT NULL,
    bench TEXT NOT NULL,
    operator TEXT NOT NULL,
    {_flag("attended")},
    {_time("started")},
    {_time("ended", required=False)},
    result TEXT CHECK (result IN ('passed', 'failed', 'incomplete', 'called off', 'broken off')),
    cause TEXT NOT NULL DEFAULT '',
    {_flag("off_verified", required=False)},
    tool_version TEXT NOT NULL,
    {_real("ambient")},
    fixture TEXT NOT NULL,
    {_real("monotonic")},
    host TEXT NOT NULL,
    boot TEXT NOT NULL,
    process INTEGER NOT NULL,
    process_started TEXT NOT NULL,
    FOREIGN KEY (serial, simulated) REFERENCES units (serial, simulated),
    CHECK ((result IS NULL) = (ended IS NULL))
) STRICT
"""

STEPS = f"""
CREATE TABLE steps (
    attempt TEXT NOT NULL REFERENCES attempts (id),
    step INTEGER NOT NULL CHECK (step > 0),
    kind TEXT NOT NULL,
    title TEXT NOT NULL,
    outcome TEXT CHECK (outcome IN ('done', 'left out', 'not reached')),
    result TEXT NOT NULL DEFAULT '' CHECK (result IN ('', 'pass', 'fail')),
    why TEXT NOT NULL DEFAULT '',
    who TEXT NOT NULL DEFAULT '',
    {_time("started", required=False)},
    {_real("monotonic")},
    {_time("ended", required=False)},
    PRIMARY KEY (attempt, step)
) STRICT
"""

READINGS = f"""
CREATE TABLE readings (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    attempt TEXT NOT NULL,
    step INTEGER NOT NULL,
    rail TEXT,
    quantity TEXT NOT NULL,
    aspect TEXT NOT NULL,
    {_real("value")},
    unit TEXT NOT NULL,
    limits TEXT,
    limits_from TEXT NOT NULL,
    {_real("nominal")},
    {_real("low")},
    {_real("high")},
    nominal_text TEXT,
    low_text TEXT,
    high_text TEXT,
    result TEXT NOT NULL CHECK (result IN ('pass', 'conditional pass', 'conditional fail', 'fail', 'no value',
                                           'not judged', 'recorded')),
    decision_rule TEXT NOT NULL,
    {_real("uncertainty")},
    {_time("at")},
    {_real("monotonic")} NOT NULL,
    instrument TEXT NOT NULL,
    raw TEXT NOT NULL,
    how TEXT NOT NULL CHECK (how IN ('read', 'typed', 'derived')),
    {_real("resolution")},
    board_state TEXT,
    {_real("input_volts")},
    {_real("input_amps")},
    {_flag("unsettled")},
    {_real("lowest")},
    {_real("highest")},
    note TEXT NOT NULL,
    replaces TEXT,
    FOREIGN KEY (attempt, step) REFERENCES steps (attempt, step),
    CHECK (value IS NOT NULL OR result IN ('no value', 'fail', 'not judged')),
    CHECK (value IS NULL OR result <> 'no value')
) STRICT
"""

SAMPLES = f"""
CREATE TABLE samples (
    seq INTEGER PRIMARY KEY,
    attempt TEXT NOT NULL,
    step INTEGER NOT NULL,
    channel TEXT NOT NULL,
    unit TEXT NOT NULL,
    {_time("at")},
    {_real("monotonic")} NOT NULL,
    {_real("value")},
    raw TEXT NOT NULL,
    FOREIGN KEY (attempt, step) REFERENCES steps (attempt, step)
) STRICT
"""

POLLS = f"""
CREATE TABLE polls (
    seq INTEGER PRIMARY KEY,
    attempt TEXT NOT NULL REFERENCES attempts (id),
    {_real("monotonic")} NOT NULL,
    output INTEGER NOT NULL,
    {_real("volts")},
    {_real("amps")},
    {_flag("is_on", required=False)},
    mode TEXT,
    {_real("set_volts")},
    {_real("set_amps")},
    tripped TEXT,
    fault TEXT
) STRICT
"""

INSTRUMENTS = f"""
CREATE TABLE instruments (
    attempt TEXT NOT NULL REFERENCES attempts (id),
    role TEXT NOT NULL,
    resource TEXT NOT NULL,
    dialect TEXT NOT NULL,
    identity TEXT,
    maker TEXT,
    model TEXT,
    serial TEXT,
    firmware TEXT,
    calibration_due TEXT CHECK (calibration_due LIKE '____-__-__'),
    {_flag("simulated")},
    {_flag("by_hand")},
    PRIMARY KEY (attempt, role)
) STRICT
"""

SOURCES = """
CREATE TABLE sources (
    sha256 TEXT NOT NULL PRIMARY KEY CHECK (length(sha256) = 64),
    content TEXT NOT NULL
) STRICT
"""

ATTEMPT_SOURCES = """
CREATE TABLE attempt_sources (
    attempt TEXT NOT NULL REFERENCES attempts (id),
    kind TEXT NOT NULL,
    path TEXT NOT NULL,
    sha256 TEXT NOT NULL REFERENCES sources (sha256),
    PRIMARY KEY (attempt, kind, path)
) STRICT
"""

NOTES = f"""
CREATE TABLE notes (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    serial TEXT NOT NULL,
    {_flag("simulated")},
    attempt TEXT REFERENCES attempts (id),
    step INTEGER,
    {_time("at")},
    who TEXT NOT NULL,
    content TEXT NOT NULL,
    FOREIGN KEY (serial, simulated) REFERENCES units (serial, simulated)
) STRICT
"""

EVENTS = f"""
CREATE TABLE events (
    seq INTEGER PRIMARY KEY,
    attempt TEXT NOT NULL REFERENCES attempts (id),
    step INTEGER,
    kind TEXT NOT NULL,
    content TEXT NOT NULL,
    {_time("at")},
    {_real("monotonic")} NOT NULL,
    data TEXT
) STRICT
"""

INDEXES = (
    "CREATE INDEX attempts_of_unit ON attempts (serial, simulated)",
    "CREATE INDEX attempts_open ON attempts (id) WHERE result IS NULL",
    "CREATE INDEX readings_of_attempt ON readings (attempt, step)",
    "CREATE INDEX readings_of_rail ON readings (rail, quantity)",
    "CREATE INDEX readings_replacing ON readings (replaces) WHERE replaces IS NOT NULL",
    "CREATE INDEX samples_of_attempt ON samples (attempt, step)",
    "CREATE INDEX polls_of_attempt ON polls (attempt)",
    "CREATE INDEX notes_of_unit ON notes (serial, simulated)",
    "CREATE INDEX events_of_attempt ON events (attempt, kind)",
    "CREATE INDEX sources_used ON attempt_sources (sha256)",
)

LINE_TEXTS = (
    f"""
CREATE TABLE line_texts (
    seq INTEGER PRIMARY KEY,
    attempt TEXT NOT NULL REFERENCES attempts (id),
    step INTEGER,
    line TEXT NOT NULL,
    {_time("at")},
    {_real("monotonic")} NOT NULL,
    content TEXT NOT NULL
) STRICT
""",
    "CREATE INDEX line_texts_of_attempt ON line_texts (attempt)",
)

MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        1,
        "everything that an attempt records",
        (
            UNITS,
            ATTEMPTS,
            STEPS,
            READINGS,
            SAMPLES,
            POLLS,
            INSTRUMENTS,
            SOURCES,
            ATTEMPT_SOURCES,
            NOTES,
            EVENTS,
            *INDEXES,
        ),
    ),
    Migration(2, "an attempt that continues another", CONTINUES),
    Migration(CHAINED, "a chain of hashes over all rows", CHAIN),
    Migration(4, "what boards say on their serial lines", LINE_TEXTS),
    Migration(5, "the meter's range beside a reading", METER_RANGE),
    Migration(6, "reworks, observations, photos, dispositions", DEVIATIONS),
    Migration(7, "units and attempts marked as reference", REFERENCE_MARKS),
    Migration(8, "how computed or learnt limits came about", LIMITS_BASIS),
    Migration(9, "how uncertain a reading is, and what makes it so", UNCERTAINTY),
    Migration(10, "how probable conformance is", CONFORMANCE),
    Migration(11, "what came in late is found at once", LATE_ONES),
    Migration(12, "what was not taken in from another logbook", KEPT_OUT),
    Migration(13, "reworks, observations and notes withdrawn", WITHDRAWALS),
    Migration(14, "views for other tools", VIEWS),
)
