"""Fresh kinds kept in pages: settings and their complements, word-fed CRCs, numbered pages, head and data."""

from __future__ import annotations

from collections.abc import Callable

from support.rom_family_content import rng_of
from support.rom_family_drives import serial_text
from support.rom_family_formulas import Crc, Formula, Sum, Xor
from support.rom_family_fresh_drives import counters, made_at, network_address, setting
from support.rom_family_fresh_formulas import fresh_formula
from support.rom_family_fresh_parts import dress, filled, image, pad, personal, up_to
from support.rom_family_parts import magic, sequence, stored_order
from support.rom_family_pen import KIB, Kind, Pen


def complement_pairs(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128), pen.pick
    width, count, woven = pick.choice([1, 2, 2, 4]), pick.randrange(5, 10), pick.random() < 0.5
    image(pen, 0, size // 2, "main", dress(pen, "crc16", "bytesum16", "wordsum16", "xor32"))
    bank = size // 2 + pick.choice([0, 0x100, 0x1000, 0x2F00])
    stride = pick.choice([0x80, 0x100])
    opposite = Xor(width, pen.order, (1 << 8 * width) - 1)
    at = pen.put(bank, magic(pen))
    for number in range(count):
        end = pen.field(at, setting(pick, width, pen.order), f"setting {number}")
        place = end if woven else at + stride
        after = pen.check(f"setting {number}", opposite, (at, end), place)
        at = after if woven else end
        if pick.random() < 0.5:  # one that is the same in all drives
            end = pen.number(at, pick.getrandbits(8 * width), width)
            after = pen.check(f"fixed {number}", opposite, (at, end), end if woven else at + stride)
            at = after if woven else end
    end = at if woven else at + stride
    if not woven:
        pad(pen, at, bank + stride + 4, 0xFF)
    # of interwoven pairs a sum of words would be the same whatever is set
    formula = fresh_formula(pen, "crc8", "crc16", "turning16", "fletcher16")
    covered = (bank, at) if woven or pick.random() < 0.7 else (bank, end)
    end = pen.check("bank", formula, covered, end, stored_order(pen))
    if pick.random() < 0.7:
        pen.copy(bank, end, bank + pick.choice([0x400, 0x800]))
    at = size - pick.choice([0x20, 0x40, 0x1000])
    end = pen.field(at, serial_text(pick, 12), "serial")
    end = pen.field(end, made_at(pick, pen.order), "made")
    pen.check("serial", fresh_formula(pen, "bytesum8", "crc8", "bytesum16"), (at, end), end)


def word_fed(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256, 512, 1024), pen.pick
    page, end = pick.choice([1, 2, 4]) * KIB, int(size * pick.uniform(0.3, 0.7)) & ~0xFFF
    unit = fresh_formula(pen, "wordcrc", "wordcrc", "wordcrc", "crc32", "wordsum32")
    for number in range(8):
        address = pen.machine.base + 0x200 + 8 * (number * 0x35 + pen.revision)
        pen.number(4 * number, address & 0xFFFFFFFF, 4, revised=True)
    pen.number(0x20, end // 4 - 1, 4)
    pen.version(0x24, 4)
    pen.code(0x28, end - 4 - 0x28, "main", "code")
    pen.check("main", unit, (0, end - 4), end - 4)
    last = up_to(end + pick.choice([0, 0x1000]), page)
    used, twins, fixed = page // pick.choice([1, 2, 4]), pick.randrange(1, 3), pick.random() < 0.5
    zeros = pick.random() < 0.5  # behind the data, or they are left erased
    for twin in range(twins):  # two pages written by turns
        for number in range(2):
            at, tag = last + (2 * twin + number) * page, f"page {twin}{'AB'[number]}"
            here = pen.field(at, sequence(pen, f"turns {twin}", number, pen.order), f"turns {twin}")
            here = pen.number(here, used, 2)
            here = pen.number(here, 0x5AA5, 2)
            here = personal(pen, here, at + used - 4, tag)
            place = at + used - 4 if fixed else here
            if fixed and zeros:
                pad(pen, here, place)
            pen.check(tag, unit, (at, place), place)
    at = last + 2 * twins * page
    here = filled(pen, at, at + pick.choice([0x40, 0x80]), "made")
    pen.check("made", fresh_formula(pen, "bytesum16", "crc16", "wordsum32"), (at, here), here)


def numbered_pages(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128), pen.pick
    page, count, first = pick.choice([32, 64]), pick.randrange(8, 17), pick.choice([0, 1, 0x80])
    image(pen, 0, size // 2, "main", dress(pen, "crc16", "bytesum16", "loose32"))
    image(pen, size // 2, size // 4 * 3, "second", dress(pen, "crc16", "crc32", "loose32"))
    start, order, length_first = (
        size // 4 * 3 + page * pick.randrange(0, 8),
        stored_order(pen),
        pick.random() < 0.7,
    )
    seeded: list[Callable[[int], Formula]] = [  # each starts from its page's number
        lambda number: Crc(16, 0x8005, number, True, 0xFFFF, listed=not number),
        lambda number: Crc(16, 0x1021, number, listed=not number),
        lambda number: Crc(8, 0x31, number, True, listed=not number),
        lambda number: Sum(2, 1, pen.order, number, "inverted"),
    ]
    formula_for, rest = pick.choice(seeded), pick.choice([0, 0xFF])
    for number in range(first, first + count):
        at, name = start + (number - first) * page, f"page {number}"
        formula = formula_for(number)
        end = at + page - formula.width
        here = pen.number(at, page - 1 - formula.width, 1) if length_first else at
        if pick.random() < 0.25:  # a page of the model, the same in all drives
            here = pen.put(here, rng_of(pen.key, name).bytes(pick.randrange(8, end - here)))
        else:
            here = personal(pen, up_to_even(pen, here), end, name)
        pad(pen, here, end, rest)
        pen.check(name, formula, (at, end), end, order)


def up_to_even(pen: Pen, at: int) -> int:
    """A filling byte to an even place."""
    return pad(pen, at, up_to(at, 2))


def head_and_data(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256, 512), pen.pick
    slot, spare = 0x2000, size // 2
    image(pen, 0, 0x4000, "boot", dress(pen, "crc32", "bytesum32"))
    data_formula = fresh_formula(pen, "crc32", "crc16", "wordsum32", "crc24", "fletcher32", "adler")
    head_formula = fresh_formula(pen, "crc16", "crc8", "bytesum8", "xor16", "bytesum16")
    mark, order, small = magic(pen), stored_order(pen), pick.choice([False, True])
    count, head = min(6, (spare - 0x4000) // slot), pick.choice([0x20, 0x40])
    codes = set(pick.sample(range(count), 2))
    for number in range(count):
        at, name = 0x4000 + number * slot, f"slot {number}"
        body, room = at + head, pick.randrange(0x100, 0x600) & ~15
        if number in codes:
            end = pen.code(body, slot - head - 0x100, name)
        elif small:
            end = pen.field(body, network_address(pick), f"{name} address")
            end = pen.field(up_to_even(pen, end), counters(pick, 8, pen.order), f"{name} counts")
            end = pad(pen, end, body + 0x30)
        else:
            end = filled(pen, body, body + room, name)
        here = pen.put(at, mark)
        here = pen.number(here, (end - body) // 4 - 1, 2)
        here = pen.version(here) if number in codes else pen.number(here, 0x0100 + number, 2)
        here = pen.check(f"{name} data", data_formula, (body, end), here, order)
        here = pad(pen, here, at + head - 4, 0xFF)
        place = pen.check(f"{name} head", head_formula, (at, here), here, order)
        pad(pen, place, at + head)
    first = 0x4000 + min(set(range(count)) - codes) * slot
    pen.copy(first, first + slot, size - slot)  # a spare of the first one with data of the drive


KINDS = (
    Kind(
        "complement-pairs",
        "settings with their complements beside them or in a row apart; often a spare bank",
        complement_pairs,
    ),
    Kind(
        "word-fed",
        "an image and pages by turns whose CRC takes in 32-bit words highest byte first, as a CRC unit does",
        word_fed,
    ),
    Kind(
        "numbered-pages",
        "short pages with a length byte, each with a check that starts from the page's number",
        numbered_pages,
    ),
    Kind(
        "head-and-data",
        "slots whose head holds the check of the data and then one of the head; a spare copy of one",
        head_and_data,
    ),
)
