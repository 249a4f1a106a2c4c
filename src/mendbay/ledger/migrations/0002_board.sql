-- The stock of boards and donor drives, and the notes of the board's bench.

CREATE TABLE stock (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL CHECK (kind IN ('board', 'donor drive')),
    own_id TEXT NOT NULL,
    board_number TEXT NOT NULL,
    revision TEXT NOT NULL,
    controller TEXT NOT NULL,
    motor_driver TEXT NOT NULL,
    rom_chip TEXT NOT NULL,
    family TEXT NOT NULL,
    model TEXT NOT NULL,
    firmware TEXT NOT NULL,
    site TEXT NOT NULL,
    made_on TEXT NOT NULL CHECK (made_on = '' OR made_on GLOB '[0-9][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    heads_map TEXT NOT NULL,
    location TEXT NOT NULL,
    condition TEXT NOT NULL,
    cost_minor INTEGER CHECK (cost_minor IS NULL OR cost_minor >= 0),
    currency TEXT NOT NULL CHECK ((cost_minor IS NULL) = (currency = '')),
    state TEXT NOT NULL CHECK (state IN ('free', 'reserved', 'used')),
    case_number INTEGER REFERENCES cases (number),
    photos TEXT NOT NULL CHECK (photos GLOB '[[]*]'),
    notes TEXT NOT NULL,
    CHECK ((state = 'free') = (case_number IS NULL))
) STRICT;

CREATE UNIQUE INDEX stock_by_own_id ON stock (own_id) WHERE own_id <> '';

CREATE TABLE list_mappings (
    fingerprint TEXT PRIMARY KEY CHECK (fingerprint <> ''),
    mapping TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE board_notes (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    case_number INTEGER REFERENCES cases (number),
    bay TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind <> ''),
    subject TEXT NOT NULL,
    at TEXT NOT NULL CHECK (at GLOB '[0-9][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-6][0-9]Z'),
    who TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;

CREATE INDEX board_notes_by_kind ON board_notes (kind, case_number, bay, subject);

CREATE TRIGGER board_notes_keep BEFORE UPDATE ON board_notes
BEGIN
    SELECT raise(ABORT, 'notes are never changed');
END;

CREATE TRIGGER board_notes_stay BEFORE DELETE ON board_notes
BEGIN
    SELECT raise(ABORT, 'notes are never removed');
END;

CREATE TRIGGER board_notes_append BEFORE INSERT ON board_notes
WHEN EXISTS (SELECT 1 FROM board_notes WHERE number = NEW.number)
BEGIN
    SELECT raise(ABORT, 'notes are never replaced');
END;

CREATE TRIGGER stock_stays BEFORE DELETE ON stock
BEGIN
    SELECT raise(ABORT, 'items are used up, never removed');
END;
