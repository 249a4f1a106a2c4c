"""Kinds of board ROM made of blocks that carry their own check: in a header, behind them or before them."""

from __future__ import annotations

from dataclasses import replace

from support.rom_family_checks import LengthField, OwnField
from support.rom_family_content import split_length
from support.rom_family_drives import serial_text
from support.rom_family_formulas import CRC16S, Formula, Sum
from support.rom_family_parts import (
    ALL_WIDE,
    counted,
    fill,
    formula_of,
    magic,
    plan,
    sequence,
    stored_order,
    used_part,
)
from support.rom_family_pen import Kind, Pen


def header_chain(pen: Pen) -> None:
    size, pick = pen.sheet(512), pen.pick
    count, mark = pick.randrange(24, 41), magic(pen)
    formula, order = formula_of(pen, "sum16", "sum32", "crc16", "crc32", "fletcher32", "adler"), pen.order
    own = pick.choice([OwnField.ZEROED, OwnField.FILLED, OwnField.OUTSIDE])
    lengths = split_length(pick, int(size * 0.85), count, 16, 2048)
    data = set(pick.sample(range(1, count), 4))
    head, at = 0x20, 0
    for number, length in enumerate(lengths):
        name, grown = f"block {number}", 0
        if number in data:
            length = 16 * pick.randrange(16, 100)
        elif number:
            grown = pen.growth(name, 16)
        length += grown
        end = at + head + length
        here = pen.put(at, mark)
        here = pen.number(here, length + head, 4, revised=bool(grown) or number not in data)
        here = pen.number(here, 0x100 + number, 2)
        here = pen.version(here)
        check_at, here = here, pen.put(here + 4, bytes(head - 16))
        if number in data:
            pen.drive_block(here, end, name, serial=number == min(data))
        else:
            pen.code(here, length, name, "code" if not number else "", steady=not number, grown=grown)
        covered = (check_at + 4, end) if own is OwnField.OUTSIDE else (at, end)
        pen.check(name, formula, covered, check_at, order, own)
        at = end


def tight_tail(pen: Pen) -> None:
    pen.sheet(64)
    pick = pen.pick
    formula, order = formula_of(pen, *ALL_WIDE), stored_order(pen)
    count = pick.randrange(5, 10)
    at = 0
    for module in plan(pen, 0, pick.randrange(0x9000, 0xE000) & ~3, count, 2, 4, 256):
        end = at + module.length
        if module.drive:
            used = pen.drive_block(at, end, module.name, serial=module.name == "data 0", tight=True)
            end = used + -used % 4
            pen.put(used, bytes(end - used))
        else:
            pen.code(at, end - at, module.name, steady=module.steady)
        at = pen.check(module.name, formula, (at, end), end, order)
        at += -at % 4


def check_first(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256, erased=0x00), pen.pick
    formula, order = formula_of(pen, "fletcher16", "fletcher32", "adler", "crc24", "sum8"), stored_order(pen)
    for module in plan(pen, 0, int(size * 0.8) & ~0xFF, pick.randrange(6, 15), 2, 256, 1024):
        start = module.start + 8
        end = used_part(pen, module, 4)
        pen.number(module.start + 4, end - start, 4)
        fill(pen, module, start, end)
        pen.check(module.name, formula, (start, end), module.start, order)


def nested_image(pen: Pen) -> None:
    size, pick = pen.sheet(512, 1024), pen.pick
    inner, outer = formula_of(pen, "sum32", "sum16", "xor32"), formula_of(pen, "crc32")
    boot = pen.code(0, 0x1000, "boot", "code", steady=True)
    modules = plan(
        pen, boot, int(size * pick.uniform(0.6, 0.9)) & ~0xFFF, pick.randrange(8, 21), 3, 512, 4096
    )
    for module in modules:
        field = module.end - 4
        fill(pen, module, module.start, min(used_part(pen, module, 512), field))
        pen.check(module.name, inner, (module.start, field), field)
    first = pick.choice([0, boot])
    covered_end = pick.choice([size - 4, modules[-1].end])
    pen.check("image", outer, (first, covered_end), size - 4, stored_order(pen))


def double_guard(pen: Pen) -> None:
    size, pick = pen.sheet(256), pen.pick
    total, crc = Sum(4, pick.choice([1, 4]), pen.order), pick.choice(CRC16S)
    inverse = replace(crc, xorout=crc.xorout ^ 0xFFFF)
    for module in plan(pen, 0x100, size - 0x1000, pick.randrange(5, 12), 2, 128, 1024):
        end = module.end - 8
        fill(pen, module, module.start, end)
        pen.check(f"{module.name} sum", total, (module.start, end), end)
        pen.check(f"{module.name} CRC", crc, (module.start, end), end + 4)
        pen.check(f"{module.name} inverse CRC", inverse, (module.start, end), end + 6)


def footer_trio(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128), pen.pick
    formulas: list[Formula] = [
        formula_of(pen, one) for one in pick.sample(["sum16", "crc16", "fletcher16", "xor16"], 3)
    ]
    modules = plan(pen, 0, size - 0x1000, 3, 1, 256, 4096)
    at = pen.put(size - 16, magic(pen, 8))
    for module, formula in zip(modules, formulas, strict=True):
        fill(pen, module, module.start, used_part(pen, module, 256))
        at = pen.check(module.name, formula, (module.start, module.end), at)
    pen.version(at)


def skipped_header(pen: Pen) -> None:
    size, pick = pen.sheet(256, 512), pen.pick
    head, behind = pick.choice([8, 16, 32]), pick.choice([4, 8, 16])
    formula, order, mark = (
        formula_of(pen, "crc16", "crc32", "sum16", "fletcher16"),
        stored_order(pen),
        magic(pen, 2),
    )
    for number, module in enumerate(plan(pen, 0, size - 0x8000, pick.randrange(8, 20), 3, 512, 2048)):
        field = module.end - behind
        end = min(used_part(pen, module, 4), field - 4)
        at = pen.put(module.start, mark)
        at = pen.version(at)
        at = pen.number(at, end - module.start - head, 4)
        pen.put(at, bytes([number]) * (module.start + head - at))
        fill(pen, module, module.start + head, end)
        pen.check(module.name, formula, (module.start + head, end), field, order)


def ones_complement(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128), pen.pick
    formula = formula_of(pen, "ones16")
    for number, module in enumerate(plan(pen, 0, int(size * 0.9) & ~0xFF, pick.randrange(4, 9), 2, 64, 512)):
        end = used_part(pen, module, 4)
        at = pen.number(module.start, 0x4500 | number, 2)
        at = pen.number(at, end - module.start, 4)
        at = pen.version(at)
        check_at, at = at, at + 2
        at = pen.put(at, bytes([number, 0x11, 0, 0, 0, 0]))
        fill(pen, module, at, end)
        pen.check(module.name, formula, (module.start, end), check_at, own=OwnField.ZEROED)


def counted_records(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128), pen.pick
    formula, order = formula_of(pen, "sum16", "crc16", "xor16"), pen.order
    record, code_end = pick.choice([8, 12, 16]), size // 2
    pen.code(0, 0x400, "boot", "code", steady=True)
    pen.code(0x400, code_end - 0x400, "main", "code")
    pen.check("main", formula_of(pen, "crc32", "sum32"), (0x400, code_end), code_end)
    at = code_end + 0x100
    pen.field(at, serial_text(pick, 16), "id")
    pen.check("id", formula, (at, at + 16), at + 16)
    for number in range(pick.randrange(2, 5)):
        at, tag = at + 0x800, f"list {number}"
        most = 0x700 // record // 4 * 4
        count, records = counted(tag, most, record, order)
        pen.put(at, magic(pen, 4))
        pen.field(at + 4, count, tag)
        pen.field(at + 8, records, tag)
        length = LengthField(at + 4, 2, order, unit=record)
        pen.check(tag, formula, (at + 8, at + 8 + record * most), at + 6, length=length)


def record_ring(pen: Pen) -> None:
    size, pick = pen.sheet(128), pen.pick
    code_end = size // 4 * 3
    pen.code(0, code_end - 4, "main", "code")
    pen.check("main", formula_of(pen, "crc32", "adler", "sum32"), (0, code_end - 4), code_end - 4)
    formula: Formula = formula_of(pen, "crc16", "crc24", "sum16", "crc8")
    room, order = pick.choice([64, 128, 256]), stored_order(pen)
    for number in range(pick.choice([8, 16])):
        at, tag = code_end + 0x1000 + number * room, f"record {number}"
        end = at + room - 4
        here = pen.field(at, sequence(pen, "ring", number, pen.order), "ring")
        pen.drive_block(here, end, tag, serial=False)
        pen.check(tag, formula, (at, end), end, order)


KINDS = (
    Kind("header-chain", "packed blocks with mark, length, version and check in the header", header_chain),
    Kind("tight-tail", "modules without mark, directory or filler, each followed by its check", tight_tail),
    Kind("check-first", "the check stands before the block; chip erased to zeros", check_first),
    Kind(
        "nested-image",
        "self-checked modules inside an image that a CRC-32 at the chip's end covers",
        nested_image,
    ),
    Kind("double-guard", "each module has a sum, a CRC and the CRC's inverse", double_guard),
    Kind(
        "footer-trio", "three modules, each with a different check in the chip's last 16 bytes", footer_trio
    ),
    Kind("skipped-header", "the check leaves out the header and the padding", skipped_header),
    Kind("ones-complement", "ones' complement sums in headers, over header and body", ones_complement),
    Kind(
        "counted-records",
        "per-drive lists whose count, and so the covered length, is in the dump",
        counted_records,
    ),
    Kind("record-ring", "a ring of small per-drive records, numbered on, each with a check", record_ring),
)
