"""The statements of the ledger's board part, written out: nothing is ever pasted into SQL.

Columns stand in the order of the fields of the record they make.
"""

CASE_EXISTS = "SELECT 1 FROM cases WHERE number = ?"

ADD_ITEM = """
INSERT INTO stock (kind, own_id, board_number, revision, controller, motor_driver, rom_chip, family, model,
                   firmware, site, made_on, heads_map, location, condition, cost_minor, currency, state,
                   case_number, photos, notes)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, nullif(?, -1), ?, ?, nullif(?, 0), ?, ?)
"""
AMEND_ITEM = """
UPDATE stock SET kind = ?, own_id = ?, board_number = ?, revision = ?, controller = ?, motor_driver = ?,
    rom_chip = ?, family = ?, model = ?, firmware = ?, site = ?, made_on = ?, heads_map = ?, location = ?,
    condition = ?, cost_minor = nullif(?, -1), currency = ?, state = ?, case_number = nullif(?, 0),
    photos = ?, notes = ?
WHERE number = ?
"""
ONE_ITEM = """
SELECT number, kind, own_id, board_number, revision, controller, motor_driver, rom_chip, family, model,
       firmware, site, made_on, heads_map, location, condition, cost_minor, currency, state,
       coalesce(case_number, 0), photos, notes
FROM stock WHERE number = ?
"""
ITEM_OF = """
SELECT number, kind, own_id, board_number, revision, controller, motor_driver, rom_chip, family, model,
       firmware, site, made_on, heads_map, location, condition, cost_minor, currency, state,
       coalesce(case_number, 0), photos, notes
FROM stock WHERE own_id = ?
"""
ITEMS_AFTER = """
SELECT number, kind, own_id, board_number, revision, controller, motor_driver, rom_chip, family, model,
       firmware, site, made_on, heads_map, location, condition, cost_minor, currency, state,
       coalesce(case_number, 0), photos, notes
FROM stock WHERE number > ? ORDER BY number LIMIT ?
"""
RESERVED = """
SELECT number, kind, own_id, board_number, revision, controller, motor_driver, rom_chip, family, model,
       firmware, site, made_on, heads_map, location, condition, cost_minor, currency, state,
       coalesce(case_number, 0), photos, notes
FROM stock WHERE state = 'reserved' AND (? = 0 OR case_number = ?) ORDER BY number
"""

MAPPING = "SELECT mapping FROM list_mappings WHERE fingerprint = ?"
REMEMBER_MAPPING = """
INSERT INTO list_mappings (fingerprint, mapping) VALUES (?, ?)
ON CONFLICT (fingerprint) DO UPDATE SET mapping = excluded.mapping
"""
