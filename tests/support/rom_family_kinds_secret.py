"""Kinds of board ROM whose checks cannot be found, whose bodies look random, or that have no check at all."""

from __future__ import annotations

import numpy as np

from support.rom_family_content import cloaked, make_code, packed, rng_of
from support.rom_family_drives import random_id, serial_text
from support.rom_family_formulas import PLAIN_CRC32, Keyed, Salted, Unpacked
from support.rom_family_parts import fill, formula_of, magic, plan, stored_order, used_part
from support.rom_family_pen import Kind, Pen


def keyed(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256), pen.pick
    tag = Keyed(pen.secret("tag"), pick.choice([4, 8, 16]))
    for module in plan(pen, 0, size - 0x2000, pick.randrange(5, 14), 2, 256, 1024):
        field = module.end - 16
        fill(pen, module, module.start, min(used_part(pen, module, 256), field))
        pen.check(module.name, tag, (module.start, field), field)
    at = size - 0x1000
    pen.field(at, serial_text(pick, 16), "label")
    end = pen.drive_block(at + 16, at + 0x400, "unit", serial=False)
    pen.check("unit", Salted(PLAIN_CRC32, pen.secret("salt"), 0, 16), (at, end), at + 0x400)


def packed_body(pen: Pen) -> None:
    pick = pen.pick
    pen.sheet(256, 512)
    slot, count = pick.choice([16, 32]) * 1024, 5
    head_check, body_check, mark = (
        formula_of(pen, "crc16", "sum16"),
        formula_of(pen, "crc32", "adler"),
        magic(pen),
    )
    for number in range(count):
        at, name = 0x2000 + number * slot, f"body {number}"
        length = slot - 0x100 - 16 * pick.randrange(1, 64)
        stream = packed(
            np.frombuffer(pen.content(length, name, pick.choice(["code", "texts", "code"])), np.uint8)
        )
        end = at + 0x20 + len(stream)
        pen.put(at + 0x20, stream, revised=True)
        here = pen.put(at, mark)
        here = pen.number(here, len(stream), 4, revised=True)
        here = pen.number(here, length, 4)
        here = pen.check(f"{name} unpacked", Unpacked(PLAIN_CRC32), (at + 0x20, end), here)
        if number % 2 == 0:
            here = pen.check(f"{name} packed", body_check, (at + 0x20, end), here)
        here = pen.put(here, bytes(at + 0x1C - here))
        pen.check(f"{name} header", head_check, (at, here), here)
    pen.moves = True  # how far a stream reaches differs between revisions
    pen.code(0, 0x1000, "boot", "code", steady=True)
    at = 0x1000
    end = pen.drive_block(at, at + pick.choice([512, 1024, 2048]), "unit")
    pen.check("unit", formula_of(pen, "crc16", "sum8", "crc32"), (at, end), at + 0xF00)


def cloaked_body(pen: Pen) -> None:
    size, pick = pen.sheet(256), pen.pick
    formula, order = formula_of(pen, "crc32"), stored_order(pen)
    tag = Keyed(pen.secret("tag"), 8)
    for module in plan(pen, 0x1000, size - 0x4000, pick.randrange(4, 9), 2, 512, 2048):
        end = module.end - 16
        if module.drive:
            number = module.start, pen.field(module.start, random_id(8), f"{module.name} number")
            fill(pen, module, number[1], end)
            pen.cloak(number[1], end, module.name, number)
        else:
            steady = module.steady
            plain = pen.content(end - module.start, module.name, steady=steady)
            key = rng_of(pen.key, module.name, "cloak", 0 if steady else pen.revision).bytes(32)
            pen.put(module.start, cloaked(plain, key), revised=not steady)
        pen.check(f"{module.name} tag", tag, (module.start, end), end)
        pen.check(module.name, formula, (module.start, end + 8), end + 8, order)
    pen.code(0, 0x1000, "boot", "code", steady=True)


def no_checks(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128), pen.pick
    for module in plan(pen, 0x100, size - 0x2000, pick.randrange(4, 12), 2, 256, 1024):
        fill(pen, module, module.start, used_part(pen, module, 16))
    at = pen.put(0, magic(pen, 8))
    pen.version(at)
    pen.field(0x20, random_id(2), "looks like a check")
    pen.field(size - 4, random_id(4), "looks like a check too")
    rest = make_code(pen.machine, rng_of(pen.key, "tail", pen.revision), 0x200)
    pen.put(size - 0x1000, rest.tobytes(), revised=True)


KINDS = (
    Kind("keyed", "tags that need a key, and a CRC salted per drive: nobody can find them", keyed),
    Kind("packed-body", "compressed bodies with checks of the packed and of the unpacked bytes", packed_body),
    Kind(
        "cloaked-body",
        "enciphered bodies with a CRC-32 of what lies in the chip and a keyed tag",
        cloaked_body,
    ),
    Kind("no-checks", "no check at all, but fields that look like one", no_checks),
)
