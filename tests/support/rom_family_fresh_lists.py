"""Fresh kinds whose data hangs together as chains and lists, two of them of another length in each drive."""

from __future__ import annotations

from support.rom_family_checks import LengthField, OwnField
from support.rom_family_drives import Field, random_id, serial_text
from support.rom_family_formulas import Formula
from support.rom_family_fresh_drives import (
    coefficients,
    events,
    fresh_fields,
    head_records,
    network_address,
    places,
    readings,
    tally,
)
from support.rom_family_fresh_formulas import fresh_formula
from support.rom_family_fresh_parts import amid, dress, image, pad, personal, up_to
from support.rom_family_parts import magic, stored_order
from support.rom_family_pen import KIB, Kind, Pen


def tagged_values(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256, 512, erased=pen.pick.choice([0xFF, 0xFF, 0])), pen.pick
    room, chains = pick.choice([1, 2]) * KIB, pick.randrange(3, 6)
    low = pick.random() < 0.4  # the chains lie below the code
    first = pick.choice([0x1000, 0x2000]) if low else size - chains * room - pick.choice([0, 0x400, 0x1000])
    image(pen, 0x8000 if low else 0, size // 2, "main", dress(pen, "crc32", "bytesum32", "adler"))
    formula = fresh_formula(pen, "crc16", "crc32", "bytesum16", "bytesum8", "fletcher16", "loose16", "crc24")
    order, whole, mark = stored_order(pen), pick.random() < 0.5, magic(pen, pick.choice([2, 4]))
    tag_width, length_width, unit = pick.choice([1, 2]), pick.choice([1, 2]), pick.choice([1, 1, 2, 4])
    own_head, with_head = pick.random() < 0.5, pick.random() < 0.5  # the length counts tag and length too

    def head(at: int, tag: int, length: int) -> int:
        at = pen.number(at, tag, tag_width)
        more = tag_width + length_width if with_head and unit == 1 else 0
        return pen.number(at, length // unit + more, length_width)

    def value(at: int, tag: int, name: str, field: Field, limit: int) -> int:
        length = up_to(field.length, unit)
        if at + length + 32 > limit:
            return at
        at = head(at, tag, length)
        end = pen.field(at, field, name)
        return pad(pen, end, at + length)

    for number in range(chains):
        name, start = f"chain {number}", first + number * room
        limit = start + room
        at = body = pen.put(start, mark)
        if not number:
            at = value(body, 1, f"{name} serial", serial_text(pick, 16), limit)
        at = head(at, 2, 8)
        at = pen.put(at, magic(pen, 8))
        for tag, field in enumerate(fresh_fields(pick, pen.order)[: pick.randrange(3, 12)]):
            at = value(at, 0x10 + tag, f"{name}.{tag}", field, limit)
        place = head(at, 0xFE, up_to(formula.width, unit))
        covered = (start if whole else body, place if own_head else at)
        end = pen.check(name, formula, covered, place, order)
        end = pad(pen, end, place + up_to(formula.width, unit))
        pen.put(end, bytes(tag_width))


def linked_heads(pen: Pen) -> None:
    size, pick = pen.sheet(64, 128, 256), pen.pick
    width, room = pick.choice([2, 4]), pick.choice([64, 96, 128])
    unit = 16 if width == 2 and size > 64 * KIB else pick.choice([1, 16])
    heads, zone = pick.choice([4, 6, 8, 12]), size // 4 * pick.choice([0, 2, 3])
    slots = pick.sample(range(1, (size // 4 - 0x100) // room), heads)
    starts = [zone + 0x100 + slot * room for slot in slots]
    image(pen, size // 4, size // 2, "code", dress(pen, "crc32", "bytesum32", "crc16", "wordsum32"))
    formula = fresh_formula(pen, "crc16", "bytesum16", "xor16", "crc8", "ones16")
    form, own = pick.choice(["behind", "amid", "after pointer"]), pick.choice(list(OwnField))
    columns, guards = pick.randrange(8, 12), []
    for head, start in enumerate(starts):
        follows = starts[head + 1] // unit if head + 1 < heads else (1 << 8 * width) - 1
        at, name = pen.number(start, follows, width), f"head {head}"
        at = pen.put(at, bytes([head, columns]))
        if form == "amid":
            pad(pen, at, start + 16)
            place = head_around(pen, name, start + 16, formula, own)
        else:
            body = up_to(at + 4, 4)
            end = pen.field(body, coefficients(pick, columns, pen.order), name)
            first, place = (start, end) if form == "behind" else (body, body - 4)
            pad(pen, at, body if form == "behind" else place)
            pad(pen, pen.check(name, formula, (first, end), place), place + 4)
        guards.append((place, place + formula.width))
    anchor = zone + pick.choice([0, 0x10, 0x40])
    at = pen.put(anchor, magic(pen))
    at = pen.number(at, starts[0] // unit, 4)
    at = pen.number(at, heads - 1, 2)
    at = pen.version(at)
    at = pen.check("anchor", fresh_formula(pen, "crc16", "bytesum16"), (anchor, at), at)
    if form != "amid":  # one number over the checks of all heads
        pen.check("all heads", fresh_formula(pen, "bytesum16", "crc16"), (anchor, at), at, also=tuple(guards))


def head_around(pen: Pen, name: str, start: int, formula: Formula, own: OwnField) -> int:
    """44 bytes of a head with their check of at most 2 bytes amid them. Returns its place."""
    place = start + 16
    pad(pen, pen.field(start, readings(pen.pick, 6, pen.order), f"{name} low"), place)
    end = pen.field(place + 2, head_records(pen.pick, 2, pen.order), f"{name} fine")
    pad(pen, end, start + 44)
    amid(pen, name, formula, (start, start + 44), place, own)
    pad(pen, place + formula.width, place + 2)
    return place


def event_log(pen: Pen) -> None:
    size, pick = pen.sheet(128, 256), pen.pick
    end = size - pick.choice([0x8000, 0x10000])
    image(pen, 0x2000, end, "main", dress(pen, "crc32", "adler", "wordsum32", "crc16"))
    block, order, mark = pick.choice([0x1000, 0x2000]), pen.order, magic(pen)
    minus, most = pick.choice([0, 0, 1]), (block - 64) // 12 - pick.randrange(20)
    own = pick.choice([OwnField.OUTSIDE, OwnField.OUTSIDE, OwnField.ZEROED, OwnField.FILLED])
    names = ["crc16", "crc32", "crc24", "bytesum16", "fletcher16", "adler"]
    if own is OwnField.OUTSIDE:
        names += ["wordsum16", "wordsum32", "rotating32"]
    head_formula = fresh_formula(pen, "crc8", "bytesum8", "bytesum16", "crc16")
    data_formula, data_order = fresh_formula(pen, *names), stored_order(pen)
    for number in range(pick.randrange(2, 5)):
        start, name = end + number * block, f"log {number}"
        at = pen.put(start, mark)
        at = pen.put(at, bytes([number, 12]))
        count, records = tally(name, most, order, 2, minus, events(order))
        tallied, at = at, pen.field(at, count, name)
        place = pen.field(at, random_id(4), f"{name} written")
        at = pad(pen, place + data_formula.width, place + 4)
        at = pen.check(f"{name} head", head_formula, (start, place), at)
        first = pad(pen, at, start + 32, 0xFF)
        pen.field(first, records, name)
        # from the first record on; or from the number on, the check's own field among what follows
        begin = first if own is OwnField.OUTSIDE else tallied
        length = LengthField(tallied, 2, order, 12, 12 * minus + first - begin)
        pen.check(name, data_formula, (begin, first + 12 * most), place, data_order, own, length)
    pen.code(0, 0x1F00, "boot", "code", steady=True)
    pen.field(0x1F00, network_address(pick), "address")
    pen.check("address", fresh_formula(pen, "crc8", "bytesum8"), (0x1F00, 0x1F06), 0x1F06)


def defect_lists(pen: Pen) -> None:
    size, pick = pen.sheet(256, 512, 1024), pen.pick
    image(pen, 0, size // 2, "main", dress(pen, "crc32", "wordsum32", "adler"))
    order, width, lists = pick.choice(["big", pen.order]), pick.choice([2, 4]), pick.randrange(3, 6)
    with_length, slot = pick.random() < 0.5, pick.choice([0x1000, 0x4000])
    record, table = width * (1 + with_length), size // 2 + pick.choice([0, 0x200, 0x800])
    minus, counted = pick.choice([0, 1]), pick.choice([2, 4])
    names = ("crc16", "crc32", "adler", "bytesum32", "bytesum16", "wordsum16", "ones16")
    formula = fresh_formula(pen, *names)
    if record % 4:  # whole words are not certain
        formula = fresh_formula(pen, *names[:5])
    at = pen.put(table, magic(pen) + bytes([lists, record]))
    for number in range(lists):
        start, name = size // 2 + (number + 1) * slot, f"list {number}"
        most = pick.randrange(0x300, 0xC00) // record
        count, records = tally(name, most, order, counted, minus, places(order, width, with_length))
        at = pen.number(at, number | 0x40, 1)
        at = pen.number(at, start, 3)
        tallied, at = at, pen.field(at, count, name)
        pen.field(start, records, name)
        reached, length = start + record * most, LengthField(tallied, counted, order, record, record * minus)
        at = pen.check(name, formula, (start, reached), at, order, length=length)
    if pick.random() < 0.7:
        pen.check("table", fresh_formula(pen, "bytesum16", "crc16", "bytesum8"), (table, at), at, order)
    start = size // 2 + (lists + 2) * slot
    for number in range(pick.randrange(2, 5)):
        name, begin = f"record {number}", start + number * 0x200
        end = personal(pen, begin, begin + 0x100, name)
        pen.check(name, formula, (begin, end), end, order)


KINDS = (
    Kind(
        "tagged-values",
        "chains of tag, length and value; the last value of each is the check of the ones before",
        tagged_values,
    ),
    Kind(
        "linked-heads",
        "a record per head, strewn and linked from an anchor; the anchor's second check takes in theirs",
        linked_heads,
    ),
    Kind(
        "event-log",
        "logs whose head has a check of its own and one over as many records as it counts",
        event_log,
    ),
    Kind(
        "defect-lists",
        "lists as long as their row in a table says, in records or less one; the check is in the row",
        defect_lists,
    ),
)
