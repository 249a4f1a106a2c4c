"""Kinds of board ROM with checks over the whole chip, its banks or its copies."""

from __future__ import annotations

from support.rom_family_checks import OwnField
from support.rom_family_drives import adaptives, calibration
from support.rom_family_formulas import Sum
from support.rom_family_parts import fill, formula_of, magic, plan, sequence, stored_order, used_part
from support.rom_family_pen import KIB, Kind, Pen


def bank_totals(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128), pen.pick
    bank, data = size // 8, pick.randrange(2, 8)
    start = pick.choice([0, 0xA5])
    for number in range(8):
        begin, end, name = number * bank, (number + 1) * bank, f"bank {number}"
        field = end - (4 if number == 7 else 1)
        if number == data:
            pen.drive_block(begin + 0x40, begin + 0x40 + pick.choice([512, 1024, 2048]), name)
        else:
            pen.code(begin, int(bank * pick.uniform(0.5, 0.99)), name, steady=not number)
        pen.check(name, Sum(1, 1, "big", start, "negated"), (begin, field), field)
    pen.check("chip", Sum(2, pick.choice([1, 2]), "big"), (0, size - 2), size - 2, "big")


def chip_sum(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128, 1024), pen.pick
    for module in plan(pen, 0, int(size * 0.9) & ~0xFF, pick.randrange(6, 21), 3, 256, 1024):
        fill(pen, module, module.start, used_part(pen, module, 16))
    formula = formula_of(pen, "sum16", "sum32", "crc16", "crc32", "xor32", "sum8")
    field = size - pick.choice([formula.width, 4, 16])
    covered = pick.choice([(0, field // 4 * 4), (0x100, field // 4 * 4)])
    pen.check("chip", formula, covered, field, stored_order(pen))


def doubled_chip(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256, 512), pen.pick
    half = size // 2
    formula, order = formula_of(pen, "crc16", "crc32", "sum16", "fletcher16"), stored_order(pen)
    for module in plan(pen, 0, half - 0x1000, pick.randrange(4, 10), 2, 256, 1024):
        field = module.end - 4
        fill(pen, module, module.start, min(used_part(pen, module, 256), field))
        pen.check(module.name, formula, (module.start, field), field, order)
    pen.check("half", formula_of(pen, "sum32", "sum16"), (0, half - 4), half - 4)
    pen.copy(0, half, half)


def holed_code(pen: Pen) -> None:
    size, pick = pen.sheet(256, 512), pen.pick
    hole = pick.randrange(8, size // (4 * KIB) - 12) * 4 * KIB
    hole_end, end = hole + pick.choice([4, 8]) * KIB, size - pick.choice([4, 8, 16]) * KIB
    pen.code(0, 0xFF0, "boot", "code", steady=True)
    pen.check("boot", formula_of(pen, "crc16", "sum16"), (0, 0xFF0), 0xFF0)
    pen.code(0x1000, hole - 0x1000, "lower", "code")
    pen.code(hole_end, end - hole_end, "upper", "code")
    block, at, number = pick.choice([512, 1024]), hole, 0
    formula = formula_of(pen, "sum8", "sum16", "crc8", "crc16")
    while at < hole_end and number < 5:
        pen.drive_block(at, at + block - 4, f"data {number}", serial=not number)
        pen.check(f"data {number}", formula, (at, at + block - 4), at + block - 4)
        at, number = at + block, number + 1
    place = size - 0x100
    pen.put(place - 8, magic(pen, 8))
    pen.check("code", formula_of(pen, "crc32"), (0, hole), place, also=((hole_end, end),))


def vector_start(pen: Pen) -> None:
    size, pick = pen.sheet(256, 512), pen.pick
    end = int(size * pick.uniform(0.5, 0.85)) & ~0xFF
    for number in range(7):
        address = pen.machine.base + 0x400 + 4 * ((number * 0x51 + pen.revision * 7) % 0x400)
        pen.number(4 * number, address & 0xFFFFFFFF, 4, revised=True)
    pen.check("vectors", Sum(4, 4, pen.order, 0, "negated"), (0, 28), 28)
    pen.code(0x20, 0x1E0, "handlers", "code", steady=True)
    pen.code(0x400, end - 0x400, "main", "code")
    pen.number(0x200, end - 0x400, 4)
    pen.check("main", formula_of(pen, "crc32"), (0x400, end), 0x204)
    top, record = size - 4 * KIB, pick.choice([16, 32])
    formula = formula_of(pen, "crc8", "crc8", "sum8", "xor8")
    first = pick.random() < 0.3
    heads = pick.choice([12, 16, 24])
    for head in range(heads):
        at = top + head * record
        body = at + 1 if first else at
        middle = pen.number(body, head, 1)
        middle = pen.field(middle, calibration(pick, 1, 6, 1, pen.order), f"head {head}")
        left = (body + record - 1 - middle) // 2
        middle = pen.field(middle, adaptives(pick, left, pen.order), f"head {head} fine")
        pen.put(middle, bytes(body + record - 1 - middle))
        pen.check(f"head {head}", formula, (body, body + record - 1), at if first else at + record - 1)
    used = pen.drive_block(top + 0x800, top + 0xFF0, "unit", tight=True)
    used += -used % 4
    pen.check("unit", formula_of(pen, "crc16", "sum16"), (top + 0x800, used), used)


def twin_adaptives(pen: Pen) -> None:
    size, pick = pen.sheet(128), pen.pick
    room, first = pick.choice([1024, 2048]), size - pick.choice([0x4000, 0x8000])
    second, order = first + pick.choice([0x1000, 0x2000]), stored_order(pen)
    pen.code(0x40, first - 0x1040, "main", "code")
    pen.number(0, first - 0x1040, 4)
    pen.check("main", formula_of(pen, "crc32", "sum32", "crc16"), (0x40, first - 0x1000), 4, order)
    formula, mark = formula_of(pen, "crc16", "crc32", "sum16", "fletcher32"), magic(pen)
    newer = pick.randrange(2)
    for number, at in enumerate((first, second)):
        pen.put(at, mark)
        pen.field(at + 4, sequence(pen, "writings", number ^ newer, pen.order), "writings")
    pen.drive_block(first + 8, first + room - 4, "unit")
    pen.copy(first + 8, first + room - 4, second + 8)
    for number, at in enumerate((first, second)):
        pen.check(f"copy {'AB'[number]}", formula, (at, at + room - 4), at + room - 4, order)


def fallback_image(pen: Pen) -> None:
    size, pick = pen.sheet(512, 1024), pen.pick
    half, length = size // 2, int(size * pick.uniform(0.3, 0.42)) & ~0xFFF
    formula, order, mark = formula_of(pen, "crc32", "sum32", "adler"), stored_order(pen), magic(pen)
    for at, name, steady in ((0, "fallback", True), (half, "main", False)):
        here = pen.put(at, mark)
        here = pen.number(here, length, 4)
        here = pen.number(here, 0x0100, 2) if steady else pen.version(here)
        pen.put(here, b"\0\0")
        pen.code(at + 0x20, length - 0x20, "image", "code", steady)
        pen.check(name, formula, (at, at + length), at + 12, order, OwnField.FILLED)
    at = half - 0x4000
    used = pen.drive_block(at, at + pick.choice([512, 1024, 4096]), "unit", tight=True)
    used += -used % 4
    pen.check("unit", formula_of(pen, "crc16", "sum16", "ones16"), (at, used), used)


KINDS = (
    Kind(
        "bank-totals",
        "eight banks whose bytes add up to a constant, and a 16-bit sum of the chip",
        bank_totals,
    ),
    Kind("chip-sum", "many modules, one check of the whole chip near its end", chip_sum),
    Kind("doubled-chip", "the lower half lies in the chip a second time", doubled_chip),
    Kind("holed-code", "one CRC over the code before and behind a hole with per-drive blocks", holed_code),
    Kind("vector-start", "vectors that add up to zero, a sized code image, small head records", vector_start),
    Kind("twin-adaptives", "two copies of the per-drive block with a number of writings", twin_adaptives),
    Kind(
        "fallback-image", "an image that never changes and one that does, each with its check", fallback_image
    ),
)
