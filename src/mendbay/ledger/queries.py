"""The statements of the ledger, written out: nothing is ever pasted into SQL.

Columns stand in the order of the fields of the record they make.
"""

OPEN_CASE = """
INSERT INTO cases (slug, opened_at, customer, contact, box, wanted, notes, state, kind, due_on)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
ONE_CASE = """
SELECT number, slug, opened_at, customer, contact, box, wanted, notes, state, kind, due_on, keep_until
FROM cases WHERE number = ?
"""
ALL_CASES = """
SELECT number, slug, opened_at, customer, contact, box, wanted, notes, state, kind, due_on, keep_until
FROM cases ORDER BY number
"""
CASES_NAMED = """
SELECT number, slug, opened_at, customer, contact, box, wanted, notes, state, kind, due_on, keep_until
FROM cases WHERE number IN (SELECT value FROM json_each(?))
"""
CASE_LINES = """
SELECT number, opened_at, state, kind, due_on, keep_until FROM cases ORDER BY number
"""
CASE_LINES_AND_TEXTS = """
SELECT number, opened_at, state, kind, due_on, keep_until,
       number || char(10) || customer || char(10) || contact || char(10) || box || coalesce((
           SELECT group_concat(char(10) || model || char(10) || serial, '') FROM bays
           WHERE case_number = number
       ), '')
FROM cases ORDER BY number
"""
STATES_OF_KIND = """
SELECT state, count(*) FROM cases WHERE kind IN (SELECT value FROM json_each(?)) GROUP BY state
"""
NEWEST_LINES = """
SELECT number, opened_at, state, kind, due_on, keep_until FROM cases
WHERE kind IN (SELECT value FROM json_each(?)) AND state IN (SELECT value FROM json_each(?))
ORDER BY number DESC LIMIT ? OFFSET ?
"""
OLDEST_LINES = """
SELECT number, opened_at, state, kind, due_on, keep_until FROM cases
WHERE kind IN (SELECT value FROM json_each(?)) AND state IN (SELECT value FROM json_each(?))
ORDER BY number LIMIT ? OFFSET ?
"""
DEADLINE_LINES = """
SELECT number, opened_at, state, kind, due_on, keep_until FROM cases
WHERE kind IN (SELECT value FROM json_each(?)) AND state IN (SELECT value FROM json_each(?))
ORDER BY due_on = '', due_on, number DESC LIMIT ? OFFSET ?
"""
AMEND_CASE = """
UPDATE cases SET customer = ?, contact = ?, box = ?, wanted = ?, notes = ?, state = ?, kind = ?, due_on = ?,
                 keep_until = ?
WHERE number = ?
"""
CASE_EXISTS = "SELECT 1 FROM cases WHERE number = ?"
CASE_COUNT = "SELECT count(*) FROM cases"
ANY_CASE = "SELECT 1 FROM cases LIMIT 1"

ADD_BAY = """
INSERT INTO bays (case_number, bay, model, serial, size_bytes, sector_bytes, physical_bytes, condition)
VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""
AMEND_BAY = """
UPDATE bays SET model = ?, serial = ?, size_bytes = ?, sector_bytes = ?, physical_bytes = ?, condition = ?
WHERE case_number = ? AND bay = ?
"""
REMOVE_BAY = "DELETE FROM bays WHERE case_number = ? AND bay = ?"
BAYS = """
SELECT case_number, bay, model, serial, size_bytes, sector_bytes, physical_bytes, condition
FROM bays WHERE case_number = ? ORDER BY rowid
"""
BAYS_WITH_SERIAL = """
SELECT b.case_number, b.bay, b.model, b.serial, b.size_bytes, b.sector_bytes, b.physical_bytes, b.condition
FROM bays AS b JOIN cases AS c ON c.number = b.case_number
WHERE b.serial != '' AND c.state IN (SELECT value FROM json_each(?)) ORDER BY b.rowid
"""
BAYS_OF_SEVERAL = """
SELECT case_number, bay, model, serial, size_bytes, sector_bytes, physical_bytes, condition
FROM bays WHERE case_number IN (SELECT value FROM json_each(?)) ORDER BY rowid
"""

NOTE_IMAGE = """
INSERT INTO images (case_number, bay, path, adapter, started_at, finished_at,
                    read_bytes, refused_bytes, waived_bytes, unread_bytes, sha256)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (case_number, path) DO UPDATE SET
    adapter = excluded.adapter, started_at = excluded.started_at, finished_at = excluded.finished_at,
    read_bytes = excluded.read_bytes, refused_bytes = excluded.refused_bytes,
    waived_bytes = excluded.waived_bytes, unread_bytes = excluded.unread_bytes, sha256 = excluded.sha256
"""
IMAGES = """
SELECT case_number, bay, path, adapter, started_at, finished_at,
       read_bytes, refused_bytes, waived_bytes, unread_bytes, sha256
FROM images WHERE case_number = ? ORDER BY rowid
"""
IMAGES_OF_SEVERAL = """
SELECT case_number, bay, path, adapter, started_at, finished_at,
       read_bytes, refused_bytes, waived_bytes, unread_bytes, sha256
FROM images WHERE case_number IN (SELECT value FROM json_each(?)) ORDER BY rowid
"""

NOTE_EVENT = "INSERT INTO events (case_number, at, kind, text, facts) VALUES (?, ?, ?, ?, ?)"
LAST_EVENT = "SELECT coalesce(max(id), 0) FROM events WHERE case_number = ?"
LAST_EVENTS = """
SELECT value, (SELECT coalesce(max(id), 0) FROM events WHERE case_number = value) FROM json_each(?)
"""
LAST_EVENT_OF_ALL = """
SELECT id, case_number, at, kind, text, facts FROM events WHERE case_number <> ? ORDER BY id DESC LIMIT 1
"""
EVENT_NUMBERED = "SELECT id, case_number, at, kind, text, facts FROM events WHERE id = ?"
LAST_NOTE_OF_ALL = """
SELECT number, coalesce(case_number, 0), at, who, kind, bay, subject, body
FROM notes WHERE coalesce(case_number, 0) <> ? ORDER BY number DESC LIMIT 1
"""
NOTE_NUMBERED = """
SELECT number, coalesce(case_number, 0), at, who, kind, bay, subject, body FROM notes WHERE number = ?
"""
FIRST_EVENTS_OF_KIND = "SELECT case_number, at, min(id) FROM events WHERE kind = ? GROUP BY case_number"
EVENTS = "SELECT at, kind, text, facts FROM events WHERE case_number = ? ORDER BY id"

APPEND_CUSTODY = """
INSERT INTO custody (case_number, sequence, at, who, what, item, previous, hash)
VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""
LAST_CUSTODY = """
SELECT case_number, sequence, at, who, what, item, previous, hash
FROM custody WHERE case_number = ? ORDER BY sequence DESC LIMIT 1
"""
CUSTODY = """
SELECT case_number, sequence, at, who, what, item, previous, hash
FROM custody WHERE case_number = ? ORDER BY sequence
"""

ADD_NOTE = """
INSERT INTO notes (case_number, bay, kind, subject, at, who, body)
VALUES (nullif(?, 0), ?, ?, ?, ?, ?, ?)
"""
NOTES = """
SELECT number, coalesce(case_number, 0), bay, kind, subject, at, who, body FROM notes
WHERE kind = ? AND (? = 0 OR bay = ?) AND (? = 0 OR subject = ?)
ORDER BY number
"""
NOTES_OF_ONE = """
SELECT number, coalesce(case_number, 0), bay, kind, subject, at, who, body FROM notes
WHERE kind = ? AND case_number IS nullif(?, 0) AND (? = 0 OR bay = ?) AND (? = 0 OR subject = ?)
ORDER BY number
"""
NOTES_OF_SEVERAL = """
SELECT number, case_number, bay, kind, subject, at, who, body FROM notes
WHERE kind = ? AND case_number IN (SELECT value FROM json_each(?))
ORDER BY number
"""
STANDING = """
SELECT number, coalesce(case_number, 0), bay, kind, subject, at, who, body FROM notes
WHERE kind = ? AND (? = 0 OR bay = ?) AND (? = 0 OR subject = ?)
    AND NOT EXISTS (
        SELECT 1 FROM notes AS gone INDEXED BY notes_withdrawn
        WHERE gone.kind = 'withdrawal' AND gone.subject = 'note ' || notes.number
    )
ORDER BY number
"""
STANDING_OF_ONE = """
SELECT number, coalesce(case_number, 0), bay, kind, subject, at, who, body FROM notes
WHERE kind = ? AND case_number IS nullif(?, 0) AND (? = 0 OR bay = ?) AND (? = 0 OR subject = ?)
    AND NOT EXISTS (
        SELECT 1 FROM notes AS gone INDEXED BY notes_withdrawn
        WHERE gone.kind = 'withdrawal' AND gone.subject = 'note ' || notes.number
    )
ORDER BY number
"""
TALLY = """
SELECT kind, count(DISTINCT bay || ' ' || subject) FROM notes
WHERE case_number = ?
    AND NOT EXISTS (
        SELECT 1 FROM notes AS gone INDEXED BY notes_withdrawn
        WHERE gone.kind = 'withdrawal' AND gone.subject = 'note ' || notes.number
    )
GROUP BY kind
"""
LAST_NOTE = "SELECT coalesce(max(number), 0) FROM notes"
LAST_NOTE_OF_KIND = "SELECT coalesce(max(number), 0) FROM notes WHERE kind = ?"
LAST_NOTE_OF_CASE = """
SELECT coalesce(max(number), 0) FROM notes WHERE case_number = ? AND (? = 0 OR kind = ?)
"""
LAST_NOTES = """
SELECT value, (SELECT coalesce(max(number), 0) FROM notes WHERE case_number = value) FROM json_each(?)
"""
LAST_NOTES_OF_KIND = """
SELECT case_number, max(number) FROM notes WHERE kind = ? AND case_number IS NOT NULL GROUP BY case_number
"""
BAYS_WITH = """
SELECT DISTINCT case_number, bay FROM notes
WHERE kind = ? AND case_number IS NOT NULL
      AND (body LIKE ? OR body LIKE ? OR body LIKE ?) -- many times as quick as what follows
      AND instr(replace(replace(upper(body), '-', ''), ' ', ''), ?)
ORDER BY case_number DESC, bay
"""
NOTES_OF_CASE = """
SELECT number, case_number, bay, kind, subject, at, who, body FROM notes WHERE case_number = ? ORDER BY number
"""

FORGOTTEN = "SELECT case_number, at, who, entries, head FROM forgotten WHERE case_number = ?"
FORGOTTEN_OF_CASE = (
    "SELECT cases.number, at, who, entries, head FROM cases "
    "LEFT JOIN forgotten ON case_number = cases.number WHERE cases.number = ?"
)
ALL_FORGOTTEN = "SELECT case_number FROM forgotten"
FORGET = "INSERT INTO forgotten (case_number, at, who, entries, head) VALUES (?, ?, ?, ?, ?)"
FORGET_ROWS = (
    "DELETE FROM custody WHERE case_number = ?",
    "DELETE FROM events WHERE case_number = ?",
    "DELETE FROM images WHERE case_number = ?",
    "DELETE FROM notes WHERE case_number = ?",
)
"""Allowed by the guards once the case stands in `forgotten`."""
KEEP_NOTE = """
INSERT INTO notes (number, case_number, bay, kind, subject, at, who, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""
FORGET_CASE = """
UPDATE cases SET slug = ?, customer = ?, contact = '', box = iif(box = '', '', ?), wanted = '[]', notes = '',
                 state = ?
WHERE number = ?
"""
FORGET_BAYS = "UPDATE bays SET serial = '', condition = '' WHERE case_number = ?"
