"""Kinds of board ROM with a directory of modules or a table of checks apart from them."""

from __future__ import annotations

from support.rom_family_checks import OwnField
from support.rom_family_formulas import Formula, Sum
from support.rom_family_parts import fill, formula_of, magic, odd_crc, plan, rows, stored_order, used_part
from support.rom_family_pen import KIB, Kind, Pen


def row_checks(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256), pen.pick
    unit = pick.choice([16, 64, 256])
    count, order = pick.randrange(10, 25), pen.order
    modules = plan(pen, 0x800, int(size * pick.uniform(0.7, 0.95)) // KIB * KIB, count, 3, unit, 1024)
    formula = formula_of(pen, "sum16", "sum32", "crc16", "crc32", "fletcher16", "xor32")
    parts = [("id", 1), ("flags", 1), ("start", 4), ("length", 4), ("version", 2), ("check", formula.width)]
    parts = parts if pick.random() < 0.3 else pick.sample(parts, len(parts))
    width = sum(one for _, one in parts)
    parts += [("spare", -width % 4)] if width % 4 else []
    base = pick.choice([0, pen.machine.base & 0x7FFFFFFF])
    start = at = pick.choice([0x10, 0x100, 0x200])
    head = pen.put(start, magic(pen) + bytes([len(modules), width + -width % 4, 0, 0]))
    places, end = rows(pen, head, modules, parts, order, base=base)
    for module, place in zip(modules, places, strict=True):
        filled = fill(pen, module, module.start, used_part(pen, module, unit))
        whole = module.drive or pick.random() < 0.5
        pen.check(module.name, formula, (module.start, module.end if whole else filled), place, order)
    pen.check("directory", formula_of(pen, "sum16", "sum32", "crc16"), (at, end), end)


def sector_rows(pen: Pen) -> None:
    size, pick = pen.sheet(256, 512), pen.pick
    unit, count = pick.choice([512, 1024]), pick.randrange(14, 32)
    modules = plan(pen, 0x2000, size - 0x4000, count, pick.randrange(2, 5), unit, 2048)
    formula, order = formula_of(pen, "sum16", "xor16", "crc16", "crc32"), stored_order(pen)
    parts = [("name", 8), ("start", 2), ("length", 2), ("id", 2), ("flags", 2)]
    at = pick.choice([0x1000, size - 0x1000])
    pen.code(0, 0x1000, "boot", "code", steady=True)
    _, end = rows(pen, at, modules, parts, "big", unit=unit)
    pen.check("directory", formula_of(pen, "xor16", "sum16"), (at, end), end, "big")
    for module in modules:
        field = module.end - formula.width
        fill(pen, module, module.start, min(used_part(pen, module, 4), field // 4 * 4))
        # the field itself is left out, or counts as erased: then the whole padded module is covered
        if formula.width in (2, 4) and count % 2:
            pen.check(module.name, formula, (module.start, module.end), field, order, OwnField.FILLED)
        else:
            pen.check(module.name, formula, (module.start, field), field, order)


def distant_table(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256), pen.pick
    count, unit = pick.randrange(12, 33), pick.choice([256, 1024])
    modules = plan(pen, 0, size - 0x4000, count, pick.randrange(2, 5), unit, 1024)
    formula, order = formula_of(pen, "crc32"), stored_order(pen)
    at = table = size - pick.choice([0x1000, 0x2000, 0x800])
    at = pen.put(at, magic(pen))
    for number, module in enumerate(modules):
        fill(pen, module, module.start, used_part(pen, module, unit))
        at = pen.number(at, number, 2)
        at = pen.number(at, number ^ 0xFFFF, 2)
        at = pen.check(module.name, formula, (module.start, module.end), at, order)
    pen.check("table", formula_of(pen, "sum16", "sum32"), (table, at), at, order)


def swapped_pairs(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256), pen.pick
    pen.pair_swapped = True
    unit, count = pick.choice([64, 256]), pick.randrange(6, 16)
    modules = plan(pen, 0x400, size - 0x1000, count, 2, unit, 1024)
    formula = formula_of(pen, "sum16", "xor16", "crc16", "crc32")
    at = pen.put(0, magic(pen, 6) + bytes([0, len(modules)]))
    places, end = rows(
        pen, at, modules, [("start", 4), ("length", 4), ("id", 2), ("check", formula.width)], pen.order
    )
    for module, place in zip(modules, places, strict=True):
        fill(pen, module, module.start, used_part(pen, module, unit))
        pen.check(module.name, formula, (module.start, module.end), place)
    end += -end % 4
    pen.check("directory", Sum(2, 2, pen.order, 0, "negated"), (0, end), end)


def odd_polynomial(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128), pen.pick
    modules = plan(pen, 0x200, size - 0x800, pick.randrange(6, 14), pick.randrange(2, 4), 32, 512)
    formula, order, mark = odd_crc(pen, pick.choice([16, 32])), stored_order(pen), magic(pen)
    in_head = pick.random() < 0.4
    for number, module in enumerate(modules):
        at = pen.put(module.start, mark)
        at = pen.number(at, module.length, 4)
        at = pen.number(at, number, 2)
        at = pen.version(at)
        end = module.end - (0 if in_head else formula.width)
        place = at if in_head else end
        at += 4 if in_head else 0
        fill(pen, module, at, end)
        pen.check(module.name, formula, (at if in_head else module.start, end), place, order)


def xor_pages(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128), pen.pick
    page = pick.choice([2 * KIB, 4 * KIB])
    count = min(40, size // page - 1)
    data = set(pick.sample(range(2, count), 3))
    formula: Formula = formula_of(pen, "xor8", "xor16", "xor32")
    spaced = pick.choice([formula.width, 4])
    table = at = pick.choice([0x20, 0x40, 0x80])
    for number in range(count):
        start, name = page * (number + 1), f"page {number}"
        if number in data:
            pen.drive_block(start, start + pick.choice([512, 1024, page]), name, serial=number == min(data))
        else:
            pen.code(start, page, name, steady=number < 2)
        pen.check(name, formula, (start, start + page), at)
        at = at + spaced
    at += -at % 4
    pen.put(table - 0x10, magic(pen, 8))
    pen.check("page table", formula_of(pen, "xor8", "sum8"), (table - 0x10, at), at)


KINDS = (
    Kind(
        "row-checks",
        "a directory whose rows hold each module's check, and its own check after it",
        row_checks,
    ),
    Kind(
        "sector-rows",
        "a big-endian directory in sectors; checks in the last bytes of padded modules",
        sector_rows,
    ),
    Kind("distant-table", "no directory; a table of numbered CRC-32s far from the modules", distant_table),
    Kind(
        "swapped-pairs", "the whole chip with every two bytes swapped; a directory with checks", swapped_pairs
    ),
    Kind("odd-polynomial", "headed modules with a CRC of unlisted polynomial or start value", odd_polynomial),
    Kind("xor-pages", "equal pages, each with an exclusive-or in a table on the first page", xor_pages),
)
