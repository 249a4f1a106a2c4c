-- Items can leave the stock without being used. SQLite cannot alter a CHECK, so the table is made anew.

CREATE TABLE stock_anew (
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
    state TEXT NOT NULL CHECK (state IN ('free', 'reserved', 'used', 'removed')),
    case_number INTEGER REFERENCES cases (number),
    photos TEXT NOT NULL CHECK (photos GLOB '[[]*]'),
    notes TEXT NOT NULL,
    CHECK ((state IN ('free', 'removed')) = (case_number IS NULL))
) STRICT;

INSERT INTO stock_anew (number, kind, own_id, board_number, revision, controller, motor_driver, rom_chip, family,
    model, firmware, site, made_on, heads_map, location, condition, cost_minor, currency, state, case_number, photos,
    notes)
SELECT number, kind, own_id, board_number, revision, controller, motor_driver, rom_chip, family, model, firmware,
    site, made_on, heads_map, location, condition, cost_minor, currency, state, case_number, photos, notes
FROM stock ORDER BY number;

DROP TABLE stock;

ALTER TABLE stock_anew RENAME TO stock;

CREATE UNIQUE INDEX stock_by_own_id ON stock (own_id) WHERE own_id <> '';

CREATE TRIGGER stock_stays BEFORE DELETE ON stock
BEGIN
    SELECT raise(ABORT, 'items are used up or leave the stock, but their rows stay');
END;
