-- What a case is about, its deadline and its keep-until day; one book of notes for the whole shop; and cases that were
-- forgotten: of those, what names a person may be removed, and the number of custody entries with the head stays.

ALTER TABLE cases ADD COLUMN kind TEXT NOT NULL DEFAULT ''
    CHECK (kind IN ('', 'picture enquiry', 'board repair', 'board swap', 'drive', 'two-bay box'));

ALTER TABLE cases ADD COLUMN due_on TEXT NOT NULL DEFAULT ''
    CHECK (due_on = '' OR due_on GLOB '[0-9][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]');

ALTER TABLE cases ADD COLUMN keep_until TEXT NOT NULL DEFAULT ''
    CHECK (keep_until = '' OR keep_until GLOB '[0-9][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]');

CREATE TABLE forgotten (
    case_number INTEGER PRIMARY KEY REFERENCES cases (number),
    at TEXT NOT NULL CHECK (at GLOB '[0-9][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-6][0-9]Z'),
    who TEXT NOT NULL CHECK (trim(who) <> ''),
    entries INTEGER NOT NULL CHECK (entries >= 0),
    head TEXT NOT NULL CHECK (head = '' OR (length(head) = 64 AND head NOT GLOB '*[^0-9a-f]*'))
) STRICT;

CREATE TRIGGER forgotten_keep BEFORE UPDATE ON forgotten
BEGIN
    SELECT raise(ABORT, 'what was forgotten stays so');
END;

CREATE TRIGGER forgotten_stay BEFORE DELETE ON forgotten
BEGIN
    SELECT raise(ABORT, 'what was forgotten stays so');
END;

CREATE TRIGGER forgotten_append BEFORE INSERT ON forgotten
WHEN EXISTS (SELECT 1 FROM forgotten WHERE case_number = NEW.case_number)
BEGIN
    SELECT raise(ABORT, 'what was forgotten stays so');
END;

DROP TRIGGER board_notes_keep;

DROP TRIGGER board_notes_stay;

DROP TRIGGER board_notes_append;

DROP INDEX board_notes_by_kind;

ALTER TABLE board_notes RENAME TO notes;

CREATE INDEX notes_by_kind ON notes (kind, case_number, bay, subject);

CREATE INDEX notes_of_case ON notes (case_number, number);

CREATE TRIGGER notes_keep BEFORE UPDATE ON notes
BEGIN
    SELECT raise(ABORT, 'notes are never changed');
END;

CREATE TRIGGER notes_stay BEFORE DELETE ON notes
WHEN NOT EXISTS (SELECT 1 FROM forgotten WHERE case_number = OLD.case_number)
BEGIN
    SELECT raise(ABORT, 'notes are never removed');
END;

CREATE TRIGGER notes_append BEFORE INSERT ON notes
WHEN EXISTS (SELECT 1 FROM notes WHERE number = NEW.number)
BEGIN
    SELECT raise(ABORT, 'notes are never replaced');
END;

DROP TRIGGER events_stay;

CREATE TRIGGER events_stay BEFORE DELETE ON events
WHEN NOT EXISTS (SELECT 1 FROM forgotten WHERE case_number = OLD.case_number)
BEGIN
    SELECT raise(ABORT, 'events are never removed');
END;

DROP TRIGGER custody_stay;

CREATE TRIGGER custody_stay BEFORE DELETE ON custody
WHEN NOT EXISTS (SELECT 1 FROM forgotten WHERE case_number = OLD.case_number)
BEGIN
    SELECT raise(ABORT, 'custody entries are never removed');
END;

DROP TRIGGER cases_keep;

CREATE TRIGGER cases_keep BEFORE UPDATE OF number, slug, opened_at ON cases
WHEN NOT EXISTS (SELECT 1 FROM forgotten WHERE case_number = OLD.number)
BEGIN
    SELECT raise(ABORT, 'a case keeps its number, folder name and opening time');
END;
