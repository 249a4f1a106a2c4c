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
NUMBERS_WITH = """
SELECT number FROM stock
WHERE (?1 = '' OR kind = ?1)
  AND state IN (SELECT value FROM json_each(?2))
  AND (?3 = '' OR says(
      number || char(10) || own_id || char(10) || board_number || char(10) || revision || char(10)
      || controller || char(10) || motor_driver || char(10) || rom_chip || char(10) || family || char(10)
      || model || char(10) || firmware || char(10) || site || char(10) || made_on || char(10)
      || heads_map || char(10) || location || char(10) || condition || char(10) || notes, ?3))
ORDER BY number
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
