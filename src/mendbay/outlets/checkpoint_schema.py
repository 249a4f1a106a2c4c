"""The tables of a checkpoint, and how one of an earlier format is taken up (`docs/formats/coverage.md`)."""

from __future__ import annotations

import sqlite3

FORMAT = 2
FORMATS_KNOWN = ("1", "2")

_READING = """
CREATE TABLE {name} (
    id INTEGER PRIMARY KEY,
    run_id INTEGER NOT NULL REFERENCES run (id),
    start INTEGER NOT NULL,
    stop INTEGER NOT NULL CHECK (stop > start),
    outcome TEXT NOT NULL CHECK (outcome IN ('given', 'refused', 'hung', 'waived', 'again', 'doubted')),
    error TEXT NOT NULL,
    seconds REAL NOT NULL,
    at TEXT NOT NULL,
    trouble TEXT NOT NULL DEFAULT '',
    celsius REAL,
    digests BLOB NOT NULL DEFAULT x''
) STRICT;
"""

_INDEX = "CREATE INDEX reading_by_place ON reading (start, stop);"

_DIFFERENCE = """
CREATE TABLE difference (
    id INTEGER PRIMARY KEY,
    start INTEGER NOT NULL,
    stop INTEGER NOT NULL CHECK (stop > start),
    first_run INTEGER NOT NULL REFERENCES run (id),
    second_run INTEGER NOT NULL REFERENCES run (id),
    at TEXT NOT NULL
) STRICT;
"""

SCHEMA = (
    """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    adapter TEXT NOT NULL,
    source TEXT NOT NULL,
    started_at TEXT NOT NULL,
    taken_from TEXT NOT NULL DEFAULT '',
    bench TEXT NOT NULL DEFAULT ''
) STRICT;
"""
    + _READING.format(name="reading")
    + _INDEX
    + _DIFFERENCE
)

_COPY_1 = """
INSERT INTO reading_2 (id, run_id, start, stop, outcome, error, seconds, at)
    SELECT id, run_id, start, stop, outcome, error, seconds, at FROM reading;
DROP TABLE reading;
ALTER TABLE reading_2 RENAME TO reading;
"""

_NOW_2 = "UPDATE meta SET value = '2' WHERE key = 'format';"

_FROM_1 = (
    "ALTER TABLE run ADD COLUMN bench TEXT NOT NULL DEFAULT '';"
    + _READING.format(name="reading_2")
    + _COPY_1
    + _INDEX
    + _DIFFERENCE
    + _NOW_2
)

_SEEN_AS_2 = """
PRAGMA temp_store = MEMORY;
CREATE TEMP VIEW run AS
    SELECT id, adapter, source, started_at, taken_from, '' AS bench FROM main.run;
CREATE TEMP VIEW reading AS
    SELECT id, run_id, start, stop, outcome, error, seconds, at,
           '' AS trouble, NULL AS celsius, x'' AS digests FROM main.reading;
CREATE TEMP TABLE difference (
    id INTEGER PRIMARY KEY, start INTEGER, stop INTEGER, first_run INTEGER, second_run INTEGER, at TEXT
);
"""


def take_up_format_1(log: sqlite3.Connection, *, writable: bool) -> None:
    """Makes a checkpoint of format 1 one of format 2, all or nothing; if it is only looked at, shows it as
    one and changes nothing. What format 1 did not note (classes, temperatures, digests, benches) stays
    unknown.

    Raises:
        sqlite3.Error: it could not be changed; it is as it was.
    """
    if not writable:
        log.executescript(_SEEN_AS_2)
        return
    try:
        log.executescript(f"BEGIN IMMEDIATE; {_FROM_1} COMMIT;")
    except sqlite3.Error:
        if log.in_transaction:
            log.execute("ROLLBACK")
        raise
