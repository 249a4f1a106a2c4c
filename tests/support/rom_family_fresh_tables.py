"""Fresh kinds with a boot record, pointers at the chip's end, rows with parity, a table of block checks."""

from __future__ import annotations

from support.rom_family_checks import OwnField
from support.rom_family_content import rng_of, split_length
from support.rom_family_drives import calibration, random_id, serial_text
from support.rom_family_formulas import Formula, Sum, Xor
from support.rom_family_fresh_drives import made_at
from support.rom_family_fresh_formulas import fresh_formula
from support.rom_family_fresh_parts import amid, dress, filled, image, pad, personal, up_to
from support.rom_family_parts import magic, stored_order
from support.rom_family_pen import KIB, Kind, Pen


def boot_record(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256, 1024), pen.pick
    count, data = 6, pick.randrange(3, 5)
    sectors = [length // 512 for length in split_length(pick, size // 2, count - data, 512, 4096)]
    for _ in range(data):
        sectors.insert(pick.randrange(1, len(sectors) + 1), -pick.choice([1, 1, 2, 4]))
    image(pen, 0x200, 0x1000, "loader", dress(pen, "crc16", "bytesum16", "wordsum32"))
    formula: Formula = fresh_formula(pen, "wordsum32", "wordsum32", "xor32", "crc32", "rotating32")
    worn, own = dress(pen, "crc32", "wordsum32", "bytesum32"), pick.choice(list(OwnField))
    offset = pick.choice([0x40, 0x80, 0x100, 0x1C0])
    at, rows = up_to(0x1000, pick.choice([0x1000, 0x2000])), []
    for number, length in enumerate(sectors):
        end, name = at + abs(length) * 512, f"part {number}"
        rows.append((at // 512, abs(length), 0x80 if length < 0 else number))
        if length > 0:
            image(pen, at, end, name, worn)
        else:  # the sum stands in the middle of the block
            middle = at + offset
            filled(pen, at, middle, f"{name} low")
            filled(pen, middle + 4, end, f"{name} high")
            amid(pen, name, formula, (at, end), middle, own)
        at = end
    pen.code(0, 0x180, "loader jump", "code", steady=True)
    here = pen.field(0x180, random_id(4), "signature")
    here = pen.field(here, made_at(pick, pen.order), "made")
    place, here = here, here + 4
    for start, length, sort in rows:
        here = pen.number(here, sort, 2)
        here = pen.number(here, start, 4, "little")
        here = pen.number(here, length - 1, 2, "little")
    pad(pen, here, 0x1FE)
    pen.put(0x1FE, b"\xa5\x5a")
    start = pick.choice([0, 0xA5A55A5A, 0xFFFFFFFF])  # the words of the sector add up to its negative
    total = Sum(4, 4, pen.order, start, "negated")
    pen.check("record", total, (0, place), place, also=((place + 4, 0x200),))


def tail_pointers(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128, 256), pen.pick
    width, count, data = pick.choice([3, 4]), pick.randrange(7, 12), pick.randrange(4, 7)
    gap, unit = pick.choice([0, 4, 16, 64]), pick.choice([4, 16, 64])
    lengths = [(one, False) for one in split_length(pick, int(size * 0.6), count - data, unit, 0x400)]
    for _ in range(data):
        lengths.insert(pick.randrange(len(lengths) + 1), (unit * (pick.randrange(0x80, 0x500) // unit), True))
    formula, order = (
        fresh_formula(pen, "crc16", "wordsum16", "xor16", "ones16", "rotating16"),
        stored_order(pen),
    )
    version, behind = pick.choice([0, 2, 4, 4]), pick.random() < 0.5
    at, ends, grows = pick.choice([0, 0x100, 0x200]), [], unit < 64 and pick.random() < 0.6
    for number, (length, drive) in enumerate(lengths):
        start, end, name = at, at + length, f"block {number}"
        if drive:
            filled(pen, start, end, name)
        else:
            grown = pen.growth(name, unit) if grows and number else 0
            end += grown
            pen.code(start, end - start, name, steady=not number, grown=grown)
        at = end
        if version:  # stands between the data and the check, and counts or not
            at = pad(pen, pen.version(end, 2), end + version)
        covered = end if behind or version % 4 else at
        at = pen.check(name, formula, (start, covered), at, order)
        ends.append((start, at - 1))
        at = up_to(at, unit) + gap
    table = size - len(ends) * 2 * width - 0x10
    here = table
    for start, last in reversed(ends):
        here = pen.number(here, start, width, revised=grows)
        here = pen.number(here, last, width, revised=grows)
    pen.number(here, ends[0][0] ^ 0xFFFFFFFF, 4)
    pen.put(size - 2, magic(pen, 2))
    pen.check("pointers", fresh_formula(pen, "crc16", "bytesum16", "bytesum8"), (table, here + 4), here + 4)


def parity_rows(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128), pen.pick
    row, count = pick.choice([16, 32]), pick.choice([8, 12, 24])
    image(pen, 0x1000, size // 2, "main", dress(pen, "crc16", "bytesum16", "wordsum32", "fletcher16"))
    start = pick.choice([0, 0xFF, 0xA5])
    sideways = pick.choice([Xor(1, "big", start), Sum(1, 1, "big", start, pick.choice(["plain", "negated"]))])
    first, downwards = pick.random() < 0.3, pick.random() < 0.6
    table = size // 4 * 3 + pick.choice([0, 0x40, 0x1000 - 64 * row // 2])
    pen.put(table - 8, magic(pen) + bytes([count, row, 0, 0]))
    for number in range(count):
        at, name = table + number * row, f"row {number}"
        body = at + first
        if pick.random() < 0.35:  # a row of the model, the same in all drives
            end = pen.put(body, rng_of(pen.key, name).bytes(row - 3))
        else:
            end = pen.field(body, calibration(pick, 1, row - 3, 1, pen.order), name)
        end = pen.put(end, bytes([number, 0x20]))
        pen.check(name, sideways, (body, end), at if first else end)
    bottom = table + count * row
    if downwards:  # a row of parities, a word at a time, over the parity bytes of the rows as well
        for lane in range(0, row, 4):
            rows = tuple((table + one * row + lane, table + one * row + lane + 4) for one in range(count))
            pen.check(f"column {lane // 4}", Xor(4), rows[0], bottom + lane, "little", also=rows[1:])
    else:
        pen.check("table", fresh_formula(pen, "crc16", "bytesum16", "loose16"), (table - 8, bottom), bottom)
    at = pick.choice([0x20, 0x100, 0x800])
    end = pen.field(at, serial_text(pick, 12), "serial")
    end = pen.field(end, random_id(4), "id")
    pen.check("serial", fresh_formula(pen, "crc8", "bytesum8", "crc16"), (at, end), end)


def check_table(pen: Pen) -> None:
    size, pick = pen.sheet(512, 1024, 2048, erased=pen.pick.choice([0xFF, 0xFF, 0])), pen.pick
    block, count, data = size // 32, 13, pick.randrange(8, 11)
    formula, order = fresh_formula(pen, "crc32", "wordcrc", "adler", "wordsum32", "xor32"), stored_order(pen)
    drives = set(pick.sample(range(1, count), data))
    table = size - pick.choice([0x1000, 0x2000, 0x10000])
    downwards, shared = pick.random() < 0.4, pick.random() < 0.5
    row = pick.choice([4, 8])
    at = pen.put(table, magic(pen))
    at = pen.number(at, count - 1, 2)
    at = pen.number(at, block // 4096 - 1, 2)
    rows = at
    for number in range(count):
        begin, name = number * block, f"block {number}"
        used = begin + (pick.choice([1, 2]) * KIB if number in drives else block)
        if number in drives:
            personal(pen, begin, used, name)
        else:
            pen.code(begin, block, name, steady=not number)
        place = rows + row * (count - 1 - number if downwards else number)
        short = shared and number in drives  # only the first sector of it is covered
        pen.check(name, formula, (begin, begin + (4096 if short else block)), place, order)
        pad(pen, place + 4, place + row, 0xFF)
    end = rows + row * count
    inner = fresh_formula(pen, "crc16", "wordsum32", "crc32", "bytesum16")
    at = pen.check("table", inner, (table, end), end, order)
    # the last word of the chip checks the table together with the check behind it
    outer = Sum(4, 1, pen.order, pick.choice([0, 0xFFFFFFFF]), "inverted")
    pen.check("last", outer, (table, at), size - 4)


KINDS = (
    Kind(
        "boot-record",
        "a first sector whose 32-bit words add up to a constant; parts in sectors less one, sums amid them",
        boot_record,
    ),
    Kind(
        "tail-pointers",
        "pointers to first and last byte of each block at the chip's end; a version between block and check",
        tail_pointers,
    ),
    Kind(
        "parity-rows",
        "calibration in rows of 16 or 32 bytes with a parity byte each, often a row of parities below",
        parity_rows,
    ),
    Kind(
        "check-table",
        "a check per erase block in a table that has its own, and a last word over both",
        check_table,
    ),
)
