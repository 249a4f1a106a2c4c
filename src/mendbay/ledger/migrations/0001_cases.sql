-- The shop's ledger: cases, the bays and images of each, what happened, and who had what.
-- `wanted` is a JSON array, `facts` a JSON object; SQLite's own JSON functions do not run in a CHECK while
-- trusted_schema is off, so only their brackets are checked here.
-- Times are UTC texts 'YYYY-MM-DDThh:mm:ssZ'; an unknown text is '' and an unknown number 0, never NULL.

CREATE TABLE cases (
    number INTEGER PRIMARY KEY AUTOINCREMENT CHECK (number > 0),
    slug TEXT NOT NULL CHECK (slug <> '' AND slug NOT GLOB '*[^a-z0-9-]*'),
    opened_at TEXT NOT NULL CHECK (opened_at GLOB '[0-9][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-6][0-9]Z'),
    customer TEXT NOT NULL CHECK (trim(customer) <> ''),
    contact TEXT NOT NULL,
    box TEXT NOT NULL,
    wanted TEXT NOT NULL CHECK (wanted GLOB '[[]*]'),
    notes TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('open', 'waiting', 'handed back', 'closed'))
) STRICT;

CREATE TABLE bays (
    case_number INTEGER NOT NULL REFERENCES cases (number),
    bay TEXT NOT NULL CHECK (bay <> '' AND bay NOT GLOB '*[^A-Za-z0-9-]*'),
    model TEXT NOT NULL,
    serial TEXT NOT NULL,
    size_bytes INTEGER NOT NULL CHECK (size_bytes >= 0),
    sector_bytes INTEGER NOT NULL CHECK (sector_bytes >= 0),
    physical_bytes INTEGER NOT NULL CHECK (physical_bytes >= 0),
    condition TEXT NOT NULL,
    PRIMARY KEY (case_number, bay)
) STRICT;

CREATE TABLE images (
    case_number INTEGER NOT NULL,
    bay TEXT NOT NULL,
    path TEXT NOT NULL CHECK (path <> ''),
    adapter TEXT NOT NULL,
    started_at TEXT NOT NULL,
    finished_at TEXT NOT NULL,
    read_bytes INTEGER NOT NULL CHECK (read_bytes >= 0),
    refused_bytes INTEGER NOT NULL CHECK (refused_bytes >= 0),
    waived_bytes INTEGER NOT NULL CHECK (waived_bytes >= 0),
    unread_bytes INTEGER NOT NULL CHECK (unread_bytes >= 0),
    sha256 TEXT NOT NULL CHECK (sha256 = '' OR (length(sha256) = 64 AND sha256 NOT GLOB '*[^0-9a-f]*')),
    PRIMARY KEY (case_number, path),
    FOREIGN KEY (case_number, bay) REFERENCES bays (case_number, bay)
) STRICT;

CREATE TABLE events (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    case_number INTEGER NOT NULL REFERENCES cases (number),
    at TEXT NOT NULL CHECK (at GLOB '[0-9][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-6][0-9]Z'),
    kind TEXT NOT NULL CHECK (trim(kind) <> ''),
    text TEXT NOT NULL,
    facts TEXT NOT NULL CHECK (facts GLOB '{*}')
) STRICT;

CREATE INDEX events_of_case ON events (case_number, id);

CREATE TABLE custody (
    case_number INTEGER NOT NULL REFERENCES cases (number),
    sequence INTEGER NOT NULL CHECK (sequence > 0),
    at TEXT NOT NULL CHECK (at GLOB '[0-9][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-6][0-9]Z'),
    who TEXT NOT NULL CHECK (trim(who) <> ''),
    what TEXT NOT NULL CHECK (trim(what) <> ''),
    item TEXT NOT NULL,
    previous TEXT NOT NULL CHECK (length(previous) = 64 AND previous NOT GLOB '*[^0-9a-f]*'),
    hash TEXT NOT NULL CHECK (length(hash) = 64 AND hash NOT GLOB '*[^0-9a-f]*'),
    PRIMARY KEY (case_number, sequence)
) STRICT;

-- What happened stays as it was noted. The guards on INSERT are there because INSERT OR REPLACE removes
-- the row in its way without asking any DELETE trigger.

CREATE TRIGGER events_keep BEFORE UPDATE ON events
BEGIN
    SELECT raise(ABORT, 'events are never changed');
END;

CREATE TRIGGER events_stay BEFORE DELETE ON events
BEGIN
    SELECT raise(ABORT, 'events are never removed');
END;

CREATE TRIGGER events_append BEFORE INSERT ON events
WHEN EXISTS (SELECT 1 FROM events WHERE id = NEW.id)
BEGIN
    SELECT raise(ABORT, 'events are never replaced');
END;

CREATE TRIGGER custody_keep BEFORE UPDATE ON custody
BEGIN
    SELECT raise(ABORT, 'custody entries are never changed');
END;

CREATE TRIGGER custody_stay BEFORE DELETE ON custody
BEGIN
    SELECT raise(ABORT, 'custody entries are never removed');
END;

CREATE TRIGGER custody_append BEFORE INSERT ON custody
WHEN NEW.sequence <> 1 + coalesce((SELECT max(sequence) FROM custody WHERE case_number = NEW.case_number), 0)
    OR NEW.previous <> coalesce(
        (SELECT hash FROM custody WHERE case_number = NEW.case_number ORDER BY sequence DESC LIMIT 1),
        '0000000000000000000000000000000000000000000000000000000000000000'
    )
BEGIN
    SELECT raise(ABORT, 'a custody entry follows the last one');
END;

-- A case that was opened keeps its number and its folder name for good.

CREATE TRIGGER cases_stay BEFORE DELETE ON cases
BEGIN
    SELECT raise(ABORT, 'cases are never removed');
END;

CREATE TRIGGER cases_keep BEFORE UPDATE OF number, slug, opened_at ON cases
BEGIN
    SELECT raise(ABORT, 'a case keeps its number, folder name and opening time');
END;
