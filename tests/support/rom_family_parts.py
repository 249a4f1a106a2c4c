"""What several kinds of board ROM share: choice of formulas, modules in a row, directories, headers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from support.rom_family_checks import Order
from support.rom_family_content import split_length
from support.rom_family_drives import Drive, Field, as_words
from support.rom_family_formulas import (
    CRC8S,
    CRC16S,
    CRC24,
    CRC32S,
    Adler,
    Crc,
    Fletcher,
    Formula,
    OnesComplement,
    Sum,
    Xor,
)
from support.rom_family_pen import Pen

ALL_WIDE = ("sum16", "sum32", "xor16", "xor32", "crc16", "crc32", "fletcher16", "fletcher32", "adler")


def formula_of(pen: Pen, *names: str) -> Formula:
    """One of the named sorts of formula, with parameters of the pen's choice.

    Formulas over words of several bytes need regions of whole 4-byte words.
    """
    pick, order = pen.pick, pen.order
    name = pick.choice(names)
    finish = pick.choice(["plain", "negated", "inverted"])
    if name == "sum8":
        return Sum(1, 1, order, pick.choice([0, 0, 0x5A]), finish)
    if name == "sum16":
        return Sum(2, pick.choice([1, 2]), order, pick.choice([0, 0, 0xFFFF, 0x1234]), finish)
    if name == "sum32":
        return Sum(4, pick.choice([1, 2, 4, 4]), order, pick.choice([0, 0, 0x55AA55AA]), finish)
    if name in ("xor8", "xor16", "xor32"):
        width = int(name[3:]) // 8
        return Xor(width, order, pick.choice([0, 0, (1 << 8 * width) - 1, 0xA5]))
    if name == "ones16":
        return OnesComplement(order)
    if name in ("fletcher16", "fletcher32"):
        return Fletcher(int(name[8:]) // 8, order)
    if name == "adler":
        return Adler()
    if name == "crc24":
        return CRC24
    return pick.choice({"crc8": CRC8S, "crc16": CRC16S, "crc32": CRC32S}[name])


def odd_crc(pen: Pen, bits: int) -> Crc:
    """A CRC whose polynomial or start value stands in no list."""
    pick = pen.pick
    own_poly, own_start = pick.choice([(True, True), (True, False), (False, True)])
    usual = {16: 0x1021, 32: 0x04C11DB7}[bits]
    poly = pick.getrandbits(bits) | 1 | 1 << bits - 2 if own_poly else usual
    init = pick.getrandbits(bits) if own_start else pick.choice([0, (1 << bits) - 1])
    return Crc(bits, poly, init, pick.random() < 0.5, pick.choice([0, (1 << bits) - 1]), listed=False)


def stored_order(pen: Pen) -> Order:
    """The machine's byte order, or now and then the other one."""
    return pen.other_order if pen.pick.random() < 0.25 else pen.order


@dataclass(frozen=True)
class Module:
    """A part of the ROM: the room [start, end) and whether it holds per-drive data."""

    name: str
    start: int
    end: int
    drive: bool
    steady: bool

    @property
    def length(self) -> int:
        return self.end - self.start


def plan(pen: Pen, start: int, end: int, count: int, drives: int, unit: int, smallest: int) -> list[Module]:
    """`count` modules one after the other in [start, end), `drives` of them with per-drive data.

    Their order is any. The first one, if it is code, is the boot code, which no revision changes.
    """
    rooms = [max(smallest, unit * pen.pick.randrange(256 // unit, 2048 // unit + 1)) for _ in range(drives)]
    lengths = [
        (length, False)
        for length in split_length(pen.pick, end - start - sum(rooms), count - drives, unit, smallest)
    ]
    for room in rooms:
        lengths.insert(pen.pick.randrange(len(lengths) + 1), (-(-room // unit) * unit, True))
    modules, at, data, code = [], start, 0, 0
    for length, drive in lengths:
        name = f"data {data}" if drive else f"code {code}"
        modules.append(Module(name, at, at + length, drive, not drive and at == start))
        data, code, at = data + drive, code + (not drive), at + length
    return modules


def fill(pen: Pen, module: Module, start: int, end: int, flavour: str = "") -> int:
    """The module's content in [start, end) of it; returns the end of what is used."""
    if module.drive:
        return pen.drive_block(start, end, module.name, serial=module.name == "data 0")
    return pen.code(start, end - start, module.name, flavour, module.steady)


def used_part(pen: Pen, module: Module, unit: int) -> int:
    """An end for the module's content that leaves some of its room over, as whole `unit`s from its start."""
    share = 1.0 if module.drive else pen.pick.uniform(0.6, 1.0)
    return module.start + max(unit, int(module.length * share) // unit * unit)


def rows(
    pen: Pen,
    at: int,
    modules: Sequence[Module],
    parts: Sequence[tuple[str, int]],
    order: Order,
    unit: int = 1,
    base: int = 0,
) -> tuple[list[int], int]:
    """A directory table, one row a module, each row made of `parts` (name, width).

    The names: id, flags, start, length, end, version, name, spare, check. Places are in `unit`s and count
    from `base`. Returns where each row's check goes (or its start) and the end of the table.
    """
    places = []
    for number, module in enumerate(modules):
        values = {
            "id": 0x10 + number,
            "flags": 0x80 if module.drive else 0x01,
            "start": base + module.start // unit,
            "length": module.length // unit,
            "end": base + module.end // unit,
            "spare": 0,
        }
        place = at
        for name, width in parts:
            if name == "check":
                place = at
                at += width
            elif name == "version":
                at = pen.version(at, width)
            elif name == "name":
                at = pen.put(at, module.name.replace(" ", "").upper().encode()[:width].ljust(width, b"\0"))
            else:
                at = pen.number(at, values[name] & ((1 << 8 * width) - 1), width, order)
        places.append(place)
    return places, at


def magic(pen: Pen, length: int = 4) -> bytes:
    """A mark of the family: letters or odd bytes."""
    if pen.pick.random() < 0.5:
        return "".join(pen.pick.choice("ABCDEFGHKMNPRSTUVWXYZ") for _ in range(length)).encode()
    return bytes(pen.pick.randrange(256) for _ in range(length))


def sequence(pen: Pen, tag: str, plus: int, order: Order) -> Field:
    """A number of writings: the drive's own count plus `plus`."""

    def make(drive: Drive, _tag: str) -> bytes:
        return as_words(int(drive.rng(tag).integers(1, 5000)) + plus, 4, order)

    return Field("sequence", 4, make)


def counted(tag: str, most: int, record: int, order: Order) -> tuple[Field, Field]:
    """A count (2 bytes) and that many records of `record` bytes in room for `most`, the rest FF."""

    def count_of(drive: Drive) -> int:
        return int(drive.rng(f"{tag} count").integers(most // 4, most + 1))

    def make_count(drive: Drive, _tag: str) -> bytes:
        return as_words(count_of(drive), 2, order)

    def make_records(drive: Drive, _tag: str) -> bytes:
        return drive.rng(f"{tag} records").bytes(record * count_of(drive)).ljust(record * most, b"\xff")

    return Field("count", 2, make_count), Field("records", record * most, make_records)
